"""Works through the queue: one confined process at a time for each worker, watched, stopped when nobody wants it."""

from __future__ import annotations

import asyncio
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from idlewhy.web.child_tasks import REPORT
from idlewhy.web.logs import tell, warn
from idlewhy.web.problems import Problem
from idlewhy.web.queue import Claim, worker_name
from idlewhy.web.results import report_policy
from idlewhy.web.run_child import Fault, Outcome, run_child

if TYPE_CHECKING:
    from idlewhy.web.office import Office

POLL_S = 0.4
BEAT_S = 0.5


class Worker:
    """Takes jobs until it is stopped. What it has not finished by then goes back into the queue."""

    def __init__(self, office: Office) -> None:
        self._office = office
        self._name = worker_name()
        self._stopping = asyncio.Event()
        self._nudged = asyncio.Event()

    def nudge(self) -> None:
        """There may be something to do."""
        self._nudged.set()

    def stop(self) -> None:
        self._stopping.set()
        self._nudged.set()

    async def run(self) -> None:
        """Serve the queue until `stop` is called."""
        queue = self._office.queue
        while not self._stopping.is_set():
            try:
                claim = await asyncio.to_thread(queue.claim, self._name)
                if claim is not None:
                    await self._serve(claim)
                    continue
            except Exception as error:  # noqa: BLE001  # the queue is served on, whatever one job did
                warn("worker fault", fault=f"{type(error).__name__}: {error}")
            self._nudged.clear()
            with suppress(TimeoutError):
                await asyncio.wait_for(self._nudged.wait(), POLL_S)

    async def _serve(self, claim: Claim) -> None:
        office = self._office
        began = time.monotonic()
        work = office.results.begin()
        latest: dict[str, Any] = {}
        try:
            task = await asyncio.to_thread(office.task_of, claim.job)
            child = asyncio.create_task(run_child(task, work, office.settings, on_progress=latest.update))
            outcome = await self._watch(claim, child, latest)
            if outcome is not None:
                await asyncio.to_thread(self._keep, claim, outcome, work)
                fault = outcome.fault.kind if outcome.fault else ""
                office.metrics.job_ended(claim.job.kind, fault or "done", time.monotonic() - began)
                seconds = round(time.monotonic() - began, 2)
                tell("job ended", job=claim.job.id, kind=claim.job.kind, fault=fault, seconds=seconds)
        except Problem as problem:
            office.queue.failed(claim, Fault("usage", problem.detail, problem.mend))
        finally:
            office.results.drop_work(work)

    async def _watch(self, claim: Claim, child: asyncio.Task[Outcome], latest: dict[str, Any]) -> Outcome | None:
        """Pass on the progress until the child ends; None if it was stopped for a cancel or the server's end."""
        queue = self._office.queue
        stopping = asyncio.create_task(self._stopping.wait())
        try:
            while True:
                await asyncio.wait({child, stopping}, timeout=BEAT_S, return_when=asyncio.FIRST_COMPLETED)
                if child.done():
                    await asyncio.to_thread(queue.beat, claim, dict(latest))  # a short job ends between two beats
                    return child.result()
                if stopping.done():
                    await asyncio.to_thread(queue.give_back, claim)
                    return None
                if not await asyncio.to_thread(queue.beat, claim, dict(latest)):
                    return None
        finally:
            stopping.cancel()
            if not child.done():
                child.cancel()
                with suppress(asyncio.CancelledError):
                    await child

    def _keep(self, claim: Claim, outcome: Outcome, work: Path) -> None:
        office = self._office
        if outcome.fault is not None or outcome.result is None:
            office.queue.failed(claim, outcome.fault or Fault("defect", "There was no answer."))
            return
        earlier = claim.job.result
        result = office.results.take(work)
        policy = report_policy(office.results.path(result, REPORT))
        if office.queue.done(claim, outcome.result, policy, result):
            office.results.drop(earlier)
        else:
            office.results.drop(result)
