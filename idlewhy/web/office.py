"""Everything one server works with: the store's parts, and what takes several of them."""

from __future__ import annotations

import asyncio
import hashlib
import json
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from idlewhy.web.child_tasks import FLEET, REPORT
from idlewhy.web.database import Database
from idlewhy.web.identity import Identity
from idlewhy.web.jobs import Job, Jobs
from idlewhy.web.logs import tell
from idlewhy.web.metrics import Metrics
from idlewhy.web.platforms import Platforms, in_base64, outside
from idlewhy.web.problems import Problem
from idlewhy.web.queue import Queue
from idlewhy.web.results import Results
from idlewhy.web.run_child import Fault, Outcome, run_child
from idlewhy.web.settings import MIB, Settings
from idlewhy.web.uploads import Upload, Uploads

_ASIDE_S = 60.0  # for a look or a check
_FLEET_S = 300.0
_PROPOSE_BYTES = 200 * MIB  # logs beyond that are not read for a proposal
_SIDE_CHILDREN = 2  # looks and checks at once, beside the analyses


class Office:
    """One store, opened."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.database = Database(settings.folder)
        self.identity = Identity(self.database)
        self.uploads = Uploads(self.database, settings)
        self.jobs = Jobs(self.database, settings.max_queue)
        self.queue = Queue(self.database, self.jobs)
        self.platforms = Platforms(self.database, settings.max_definition_bytes)
        self.results = Results(settings.folder)
        self.metrics = Metrics()
        self._side = asyncio.Semaphore(_SIDE_CHILDREN)
        self._fleet = asyncio.Lock()
        self._looks: set[asyncio.Task[None]] = set()
        self._nudges: list[Callable[[], None]] = []

    def close(self) -> None:
        self.database.close()

    def on_nudge(self, act: Callable[[], None]) -> None:
        """Call `act`, from any thread, whenever the queue has grown."""
        self._nudges.append(act)

    def nudge(self) -> None:
        """The queue has grown."""
        for act in self._nudges:
            act()

    async def settle(self) -> None:
        """Stop looking into logs: the server ends."""
        for one in self._looks:
            one.cancel()
        await asyncio.gather(*self._looks, return_exceptions=True)

    # ---- tasks for the confined process

    def task_of(self, job: Job) -> dict[str, Any]:
        """What the confined process is to do for a job. Raises Problem if something it needs is gone."""
        if job.kind == "analysis":
            return {"kind": "analysis", "language": job.language, **self._recording(job), **self._definition(job)}
        pair = {side: self.jobs.get(one) for side, one in self.jobs.pair_of(job.id).items()}
        sides = {side: {**self._recording(one), **self._definition(one)} for side, one in pair.items()}
        logs = [log for side in sides.values() for log in side["logs"]]
        return {"kind": "comparison", "language": job.language, "logs": logs, **sides}

    def _recording(self, job: Job) -> dict[str, Any]:
        logs = []
        for row in self.jobs.logs_of(job.id):
            path = self.uploads.path_of(row["sha256"])
            if path is None or not path.is_file():
                raise Problem("gone", f"The log {row['name']} is no longer here.", "Upload it again.")
            logs.append({"path": str(path), "name": row["name"]})
        return {"logs": logs, "vehicle": job.vehicle_name}

    def _definition(self, job: Job) -> dict[str, Any]:
        part = self.platforms.task_part(job.platform)
        if "definition" in part:
            files = self.platforms.files(job.platform.removeprefix("own:"))
            wrong = outside(files, self.platforms.known())
            if wrong:
                raise Problem("invalid", f"{wrong[0]['place']}: {wrong[0]['what']}.", wrong[0]["mend"])
        return part

    # ---- looking into a log, checking a platform

    def look_soon(self, upload: Upload, *, head_only: bool = False) -> None:
        """Find out format and time span of an upload in the background."""
        if upload.state == "complete" and upload.look:
            return  # the same log was looked into before
        task = asyncio.create_task(self._look(upload, head_only))
        self._looks.add(task)
        task.add_done_callback(self._looks.discard)

    async def _look(self, upload: Upload, head_only: bool) -> None:
        path = self.uploads.folder / upload.id
        if upload.sha256 is not None:
            known = await asyncio.to_thread(self.uploads.path_of, upload.sha256)
            path = known or path
        task = {"kind": "look", "logs": [{"path": str(path), "name": upload.name}], "head_only": head_only}
        try:
            outcome = await self._aside(task)
        except OSError:
            return
        if outcome.result is not None:
            seen = json.dumps(outcome.result)
            await asyncio.to_thread(self.uploads.note_look, upload.id, seen, head_only=head_only)

    async def _aside(self, task: dict[str, Any]) -> Outcome:
        """A short task for the confined process, beside the analyses; what it writes is dropped."""
        async with self._side:
            work = self.results.begin()
            try:
                return await run_child(task, work, self.settings, wall_s=_ASIDE_S)
            finally:
                self.results.drop_work(work)

    async def propose(self, databases: Mapping[str, bytes], recording: Job | None) -> bytes:
        """A platform.toml for these databases, and for what the recording's logs hold of them, if they are not large.

        Raises Problem if a database cannot be read.
        """
        rows = self.jobs.logs_of(recording.id) if recording else []
        is_small = sum(row["bytes"] or 0 for row in rows) <= _PROPOSE_BYTES
        logs = self._recording(recording)["logs"] if recording and is_small else []
        outcome = await self._aside({"kind": "propose", "definition": in_base64(databases), "logs": logs})
        if outcome.result is None:
            fault = outcome.fault or Fault("defect", "There was no answer.")
            raise Problem("invalid", f"{fault.place}: {fault.what}" if fault.place else fault.what, fault.mend)
        return str(outcome.result["toml"]).encode()

    async def check(self, platform_id: str) -> None:
        """Check an uploaded platform and keep what was found."""
        files = await asyncio.to_thread(self.platforms.files, platform_id)
        findings = outside(files, self.platforms.known())
        if not findings:
            outcome = await self._aside({"kind": "check", "definition": in_base64(files)})
            if outcome.result is not None:
                findings = outcome.result["findings"]
            elif outcome.fault is not None:
                fault = outcome.fault
                row = {"code": "check", "weight": "error"}
                findings = [{**row, "place": fault.place, "what": fault.what, "mend": fault.mend}]
        await asyncio.to_thread(self.platforms.note_findings, platform_id, findings)

    # ---- the fleet

    async def fleet_report(self, language: str) -> Path:
        """The page over all vehicles, made anew if a recording came or went. Raises Problem if there is none."""
        rows = await asyncio.to_thread(self.jobs.results)
        paths = [str(path) for row in rows if (path := self.results.folder / row["result"] / FLEET).is_file()]
        if not paths:
            raise Problem("not-found", "There is no recording yet.", "Upload the first log.")
        state = hashlib.sha256("\n".join(paths).encode()).hexdigest()[:32]
        async with self._fleet:
            kept = self.results.fleet / f"{state}-{language}.html"
            if not kept.is_file():
                links = {row["name"]: f"/vehicles/{row['vehicle']}" for row in rows}
                await self._make_fleet(kept, {"reads": paths, "links": links, "language": language})
                self.results.drop_fleet(but=state)
        return kept

    async def _make_fleet(self, target: Path, task: dict[str, Any]) -> None:
        work = self.results.begin()
        try:
            async with self._side:
                outcome = await run_child({"kind": "fleet", **task}, work, self.settings, wall_s=_FLEET_S)
            if outcome.fault is not None or not (work / REPORT).is_file():
                fault = outcome.fault
                raise Problem("defect", f"The fleet report could not be made: {fault.what if fault else 'no answer'}")
            (work / REPORT).replace(target)
        finally:
            self.results.drop_work(work)

    # ---- deleting

    def delete_job(self, job: Job) -> None:
        """Delete a recording or comparison: its results, its logs if nothing else uses them, and what compares it."""
        compared = self.database.every("SELECT job FROM compared WHERE recording = ?", job.id)
        with self.database.change() as change:
            results = [job.result]
            for one in {row["job"] for row in compared}:
                row = change.execute("DELETE FROM job WHERE id = ? RETURNING result", (one,)).fetchone()
                results.append(row["result"] if row else None)
            shas = [row["sha256"] for row in change.execute("SELECT sha256 FROM job_log WHERE job = ?", (job.id,))]
            change.execute("DELETE FROM job WHERE id = ?", (job.id,))
            for sha256 in shas:
                change.execute("DELETE FROM upload WHERE sha256 = ? AND state = 'complete'", (sha256,))
            change.execute("DELETE FROM vehicle WHERE id NOT IN (SELECT vehicle FROM job WHERE vehicle NOT NULL)")
        for result in results:
            self.results.drop(result)
        self.results.drop_fleet()
        self.uploads.sweep()
        self.database.forget()

    def delete_vehicle(self, vehicle_id: str) -> None:
        """Delete all recordings of a vehicle. Raises Problem if there is no such vehicle."""
        self.jobs.vehicle(vehicle_id)
        for row in self.database.every("SELECT id FROM job WHERE vehicle = ?", vehicle_id):
            with suppress(Problem):  # a comparison that went with its recording
                self.delete_job(self.jobs.get(row["id"]))

    def keep_house(self) -> None:
        """What must be done now and then: dead servers' jobs, retention, what nobody uses."""
        taken = self.queue.take_back_from_the_dead()
        if taken:
            tell("jobs taken back from a dead server", jobs=taken)
        self._retain()
        self.uploads.sweep()
        self.results.sweep(self.database, younger_than_s=600.0)

    def _retain(self) -> None:
        settings = self.settings
        if settings.retain_s is not None:
            before = time.time() - settings.retain_s
            self._expire("SELECT id FROM job WHERE created < ? AND state NOT IN ('queued', 'running')", before)
        if settings.retain_bytes is not None:
            self._expire(
                "SELECT id FROM (SELECT job.id, job.state,"
                " SUM(b.bytes) OVER (ORDER BY job.created DESC, job.id) AS size FROM job JOIN"
                " (SELECT job, SUM(bytes) AS bytes FROM job_log JOIN log USING (sha256) GROUP BY job) b"
                " ON b.job = job.id)"
                " WHERE size > ? AND state NOT IN ('queued', 'running')",
                settings.retain_bytes,
            )

    def _expire(self, query: str, bound: float) -> None:
        """Delete the jobs that a query finds beyond a bound."""
        for row in self.database.every(query, bound):
            with suppress(Problem):
                self.delete_job(self.jobs.get(row["id"]))
                tell("deleted by retention", job=row["id"])
