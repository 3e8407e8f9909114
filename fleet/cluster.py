"""Many workers through Dask: a window of tasks in flight, deaths survived, results as they come."""

from __future__ import annotations

import logging
import socket
import warnings
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import contextmanager
from typing import Any

from fleet.places import needs_extra
from fleet.sources import Task
from fleet.worker import Job, Outcome, work
from signal_defs.errors import LogError, UsageError

Chunk = tuple[Task, ...]
_DEATHS = 2  # of workers under one chunk before it is given up
_QUIET_S = 20.0  # without a result before the workers are looked after
_PATIENCE = 15  # such looks without any worker before it is given up
_AHEAD = 4  # chunks in flight for each worker, so that none waits


def run_everywhere(job: Job, chunks: Sequence[Chunk], workers: int, scheduler: str) -> Iterator[Outcome]:
    """Outcomes of all tasks, in the order in which they are done.

    A worker's death is laid to everything that waited on it, so the tasks of a chunk that was given up are suspects:
    when the rest is done, each runs once more, alone, and only the log under which workers die again is given up.
    Raises LogError where the scheduler is lost, or no worker is left and none comes back.
    """
    with _client(workers, scheduler) as (client, revive):
        from distributed import KilledWorker

        waiting, suspects = deque(chunks), deque[Chunk]()
        running: dict[Any, tuple[Chunk, bool]] = {}
        ahead = max(_AHEAD * max(_workers(client), 1), 2)
        while waiting or suspects or running:
            while waiting and len(running) < ahead:
                chunk = waiting.popleft()
                running[client.submit(work, job, chunk, pure=False)] = chunk, False
            if suspects and not running:
                chunk = suspects.popleft()
                running[client.submit(work, job, chunk, pure=False)] = chunk, True
            for future in _first_done(client, list(running), scheduler, revive):
                chunk, alone = running.pop(future)
                fault = future.exception()
                if fault is None:
                    yield from future.result()
                elif isinstance(fault, KilledWorker) and not alone:
                    suspects.extend((task,) for task in chunk)
                else:
                    yield from (Outcome(task, "failed", why=_why(fault)) for task in chunk)
                future.release()


def _first_done(client: Any, futures: list[Any], scheduler: str, revive: Callable[[], None]) -> list[Any]:
    """Wait until at least one is done. Workers that are all gone are started anew where they are ours to start."""
    from distributed import wait

    for _ in range(_PATIENCE):
        try:
            wait(futures, timeout=_QUIET_S, return_when="FIRST_COMPLETED")
        except TimeoutError:
            if _workers(client):
                return []  # long tasks; look again
            revive()
            continue
        except CancelledError:
            pass
        done = [future for future in futures if future.done()]
        if any(future.cancelled() for future in done):
            raise LogError(
                "The connection to the scheduler was lost.",
                where=scheduler or "local workers",
                mend="Start it again and add the same logs: what was done is kept and skipped.",
            )
        return done
    raise LogError(
        "No worker is left.", where=scheduler or "local workers", mend="Start workers and add the same logs again."
    )


def _workers(client: Any) -> int:
    return len(client.scheduler_info(n_workers=-1)["workers"])


def _why(fault: BaseException) -> str:
    from distributed import KilledWorker

    if isinstance(fault, KilledWorker):
        return f"The worker died {_DEATHS + 1} times over this log; it may need more memory than a worker has."
    return str(fault) or type(fault).__name__


@contextmanager
def _client(workers: int, scheduler: str) -> Iterator[tuple[Any, Callable[[], None]]]:
    """A client of a cluster of our own, or of the one whose scheduler is named; and what starts lost workers anew."""
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError as fault:
        raise needs_extra("Adding logs with several workers") from fault
    settings = {"distributed.scheduler.allowed-failures": _DEATHS, "distributed.admin.tick.limit": "60s"}
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what matters is told in our own words
    with dask.config.set(settings), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of libraries that this one uses; ours are not raised here
        if scheduler:
            _knock(scheduler)
            with Client(scheduler, timeout="30s") as client:
                yield client, lambda: None
            return
        with (
            LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                dashboard_address=None,
                host="127.0.0.1",
                silence_logs=50,
            ) as cluster,
            Client(cluster) as client,
        ):
            yield client, lambda: cluster.scale(workers)


def _knock(scheduler: str) -> None:
    """See that something listens at tcp://HOST:PORT. Raises UsageError if nothing does within five seconds."""
    host, _, port = scheduler.rpartition("://")[2].rpartition(":")
    try:
        socket.create_connection((host, int(port)), timeout=5.0).close()
    except (OSError, ValueError) as fault:
        raise UsageError(
            "The scheduler does not answer.", where=scheduler, mend="Name it as tcp://HOST:PORT."
        ) from fault
