"""Many workers through Dask: a window of tasks in flight, deaths survived, results as they come."""

from __future__ import annotations

import socket
import warnings
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from fleet.places import needs_extra
from fleet.sources import Task
from fleet.worker import Job, Outcome, work
from signal_defs.errors import UsageError

Chunk = tuple[Task, ...]
_DEATHS = 2  # of workers under one chunk before it is given up
_AHEAD = 4  # chunks in flight for each worker, so that none waits


def run_everywhere(job: Job, chunks: Sequence[Chunk], workers: int, scheduler: str) -> Iterator[Outcome]:
    """Outcomes of all tasks, in the order in which they are done.

    A worker's death is laid to everything that waited on it, so the tasks of a chunk that was given up are suspects:
    when the rest is done, each runs once more, alone, and only the log under which workers die again is given up.
    """
    with _client(workers, scheduler) as client:
        from distributed import KilledWorker, as_completed

        waiting, suspects = deque(chunks), deque[Chunk]()
        running: dict[Any, tuple[Chunk, bool]] = {}
        ahead = max(_AHEAD * max(len(client.scheduler_info(n_workers=-1)["workers"]), 1), 2)
        completed = as_completed()

        def submit(chunk: Chunk, *, alone: bool) -> None:
            future = client.submit(work, job, chunk, pure=False)
            running[future] = chunk, alone
            completed.add(future)

        def feed() -> None:
            while waiting and len(running) < ahead:
                submit(waiting.popleft(), alone=False)
            if suspects and not running:
                submit(suspects.popleft(), alone=True)

        feed()
        for future in completed:
            chunk, alone = running.pop(future)
            fault = future.exception()
            if fault is None:
                yield from future.result()
            elif isinstance(fault, KilledWorker) and not alone:
                suspects.extend((task,) for task in chunk)
            else:
                yield from (Outcome(task, "failed", why=_why(fault)) for task in chunk)
            future.release()
            feed()


def _why(fault: BaseException) -> str:
    from distributed import KilledWorker

    if isinstance(fault, KilledWorker):
        return f"The worker died {_DEATHS + 1} times over this log; it may need more memory than a worker has."
    return str(fault) or type(fault).__name__


@contextmanager
def _client(workers: int, scheduler: str) -> Iterator[Any]:
    """A client of a cluster of our own, or of the one whose scheduler is named."""
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError as fault:
        raise needs_extra("Adding logs with several workers") from fault
    settings = {"distributed.scheduler.allowed-failures": _DEATHS, "distributed.admin.tick.limit": "60s"}
    with dask.config.set(settings), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of libraries that this one uses; ours are not raised here
        if scheduler:
            _knock(scheduler)
            with Client(scheduler, timeout="30s") as client:
                yield client
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
            yield client


def _knock(scheduler: str) -> None:
    """See that something listens at tcp://HOST:PORT. Raises UsageError if nothing does within five seconds."""
    host, _, port = scheduler.rpartition("://")[2].rpartition(":")
    try:
        socket.create_connection((host, int(port)), timeout=5.0).close()
    except (OSError, ValueError) as fault:
        raise UsageError(
            "The scheduler does not answer.", where=scheduler, mend="Name it as tcp://HOST:PORT."
        ) from fault
