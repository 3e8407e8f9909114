"""Jobs: recordings to analyse and pairs to compare, kept in the database. How they are worked off is in `queue`."""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from dataclasses import dataclass
from sqlite3 import Connection, Row
from typing import Any, Literal

from idlewhy.web.database import Database
from idlewhy.web.names import checked_id, new_id
from idlewhy.web.problems import Problem

State = Literal["queued", "running", "done", "failed", "cancelled"]
Kind = Literal["analysis", "comparison"]


@dataclass(frozen=True, slots=True)
class Job:
    """A recording's analysis or a comparison. place_in_line: 1 for the next; 0 when it does not wait.

    stage, done, total, frames: how far it is; done and total are bytes. what, place, mend, fault: why it failed, in the
    words and kinds of `run_child.Fault`. summary: what lists show of the result. result: the attempt that made it.
    """

    id: str
    kind: Kind
    vehicle: str | None
    vehicle_name: str
    platform: str
    language: str
    owner: str
    created: float
    state: State
    place_in_line: int
    attempt: int
    stage: str
    done: int
    total: int
    frames: int
    started: float | None
    ended: float | None
    what: str
    place: str
    mend: str
    fault: str
    summary: dict[str, Any]
    policy: str
    result: str | None

    @property
    def is_over(self) -> bool:
        return self.state not in {"queued", "running"}


_NO_SUMMARY: dict[str, Any] = {
    "happened": "",
    "first": "",
    "platform": "",
    "start": None,
    "end": None,
    "duration_s": None,
    "frames": 0,
    "standstills": 0,
    "refused": 0,
    "findings": [],
    "soh_percent": None,
    "soc_min": None,
    "quiescent_ma": None,
    "resistance_mohm": None,
}

_SELECT = """
SELECT job.*, COALESCE(vehicle.name, '') AS vehicle_name,
  CASE WHEN job.state = 'queued' THEN
    (SELECT COUNT(*) FROM job other WHERE other.state = 'queued' AND other.queued <= job.queued)
  ELSE 0 END AS place_in_line
FROM job LEFT JOIN vehicle ON vehicle.id = job.vehicle
"""


class Jobs:
    """All jobs of one store."""

    def __init__(self, database: Database, max_queue: int) -> None:
        self._database = database
        self._max_queue = max_queue

    # ---- asking

    def get(self, job_id: str, kind: Kind | None = None) -> Job:
        """One job. Raises Problem if there is none of that kind."""
        row = self._database.one(f"{_SELECT} WHERE job.id = ?", checked_id(job_id))
        if row is None or (kind is not None and row["kind"] != kind):
            raise Problem("not-found", "There is nothing under this address; it may have been deleted.")
        return _job(row)

    def latest(
        self, *, vehicle: str | None = None, kind: Kind = "analysis", before: float | None = None, limit: int = 50
    ) -> list[Job]:
        """The newest jobs first. before: only those made before this time."""
        words: list[str] = ["job.kind = ?"]
        values: list[str | float] = [kind]
        if vehicle is not None:
            words.append("job.vehicle = ?")
            values.append(vehicle)
        if before is not None:
            words.append("job.created < ?")
            values.append(before)
        query = f"{_SELECT} WHERE {' AND '.join(words)} ORDER BY job.created DESC LIMIT ?"
        return [_job(row) for row in self._database.every(query, *values, limit)]

    def counts(self) -> dict[str, int]:
        """How many jobs there are in each state."""
        rows = self._database.every("SELECT state, COUNT(*) AS n FROM job GROUP BY state")
        return {row["state"]: row["n"] for row in rows}

    def logs_of(self, job_id: str) -> list[Row]:
        """The logs of a recording in the order they were named: sha256, name, bytes, look."""
        return self._database.every(
            "SELECT job_log.name, job_log.sha256, log.bytes, log.look"
            " FROM job_log LEFT JOIN log USING (sha256) WHERE job = ? ORDER BY job_log.place",
            job_id,
        )

    def pair_of(self, job_id: str) -> dict[str, str]:
        """Of a comparison, the ids of the recordings "before" and "after"."""
        rows = self._database.every("SELECT side, recording FROM compared WHERE job = ?", job_id)
        return {row["side"]: row["recording"] for row in rows}

    def vehicles(self) -> list[Row]:
        """Every vehicle: id, name, how many recordings, when the latest was made; the latest first."""
        return self._database.every(
            "SELECT vehicle.id, vehicle.name, COUNT(job.id) AS recordings, MAX(job.created) AS latest FROM vehicle"
            " LEFT JOIN job ON job.vehicle = vehicle.id AND +job.kind = 'analysis' GROUP BY vehicle.id"
            " ORDER BY latest DESC LIMIT 2000"
        )

    def vehicle(self, vehicle_id: str) -> Row:
        """One vehicle. Raises Problem if there is none."""
        query = "SELECT id, name, created FROM vehicle WHERE id = ?"
        row: Row | None = self._database.one(query, checked_id(vehicle_id))
        if row is None:
            raise Problem("not-found", "There is no such vehicle; its recordings may have been deleted.")
        return row

    def results(self) -> list[Row]:
        """Of every recording that is done: vehicle, its name, result."""
        return self._database.every(
            "SELECT job.vehicle, vehicle.name, job.result FROM job JOIN vehicle ON vehicle.id = job.vehicle"
            " WHERE job.kind = 'analysis' AND job.result NOT NULL ORDER BY job.created"
        )

    # ---- putting in

    def add_recording(
        self, owner: str, vehicle: str, platform: str, logs: Sequence[tuple[str, str]], language: str = "en"
    ) -> Job:
        """Queue a recording. vehicle: its name. logs: (sha256, name). Raises Problem "busy" if the queue is full."""
        now = time.time()
        with self._database.change() as db:
            self.check_room(db)
            for sha256, name in logs:
                if db.execute("SELECT 1 FROM log WHERE sha256 = ?", (sha256,)).fetchone() is None:
                    raise Problem("gone", f"The log {name} was deleted meanwhile.", "Upload it again.")
            job = _insert(db, "analysis", _vehicle(db, vehicle, now), platform, owner, language, now)
            db.executemany(
                "INSERT INTO job_log (job, place, sha256, name) VALUES (?, ?, ?, ?)",
                [(job, place, sha256, name) for place, (sha256, name) in enumerate(logs)],
            )
        return self.get(job)

    def add_comparison(self, owner: str, before: Job, after: Job) -> Job:
        """Queue the comparison of two recordings, which stands on the page of the second one's vehicle."""
        now = time.time()
        with self._database.change() as db:
            self.check_room(db)
            job = _insert(db, "comparison", after.vehicle, after.platform, owner, after.language, now)
            for side, one in (("before", before), ("after", after)):
                db.execute("INSERT INTO compared (job, side, recording) VALUES (?, ?, ?)", (job, side, one.id))
        return self.get(job)

    def again(self, job_id: str, platform: str | None = None) -> Job:
        """Queue a job once more, with another platform if one is named; its earlier result stays until then."""
        with self._database.change() as db:
            self.check_room(db)
            changed = db.execute(
                "UPDATE job SET state = 'queued', queued = ?, attempt = attempt + 1, tries = 0, worker = NULL,"
                " stage = '', done = 0,"
                " frames = 0, started = NULL, ended = NULL, what = '', place = '', mend = '', fault = '',"
                " platform = COALESCE(?, platform) WHERE id = ? AND state NOT IN ('queued', 'running')",
                (time.time(), platform, checked_id(job_id)),
            ).rowcount
        if not changed:
            raise Problem("conflict", "It is waiting or running already.", "Cancel it first.")
        return self.get(job_id)

    def check_room(self, change: Connection | None = None) -> None:
        """Raises Problem "busy" if the queue is full. change: the transaction that is to put something in."""
        db = change or self._database.connection()
        waiting = db.execute("SELECT COUNT(*) FROM job WHERE state = 'queued'").fetchone()[0]
        if waiting >= self._max_queue:
            raise Problem(
                "busy",
                f"{waiting} recordings wait; your place would be {waiting + 1}. What was uploaded is kept.",
                "Try again in a minute.",
                {"Retry-After": "60"},
            )

    def cancel(self, job_id: str) -> Job:
        """Take a job out of the queue or stop it."""
        changed = self._database.write(
            "UPDATE job SET state = 'cancelled', ended = ?, worker = NULL, attempt = attempt + 1 WHERE id = ?"
            " AND state IN ('queued', 'running')",
            time.time(),
            checked_id(job_id),
        )
        if not changed:
            self.get(job_id)
            raise Problem("conflict", "It is over already, so it cannot be cancelled.")
        return self.get(job_id)


def _vehicle(db: Connection, name: str, now: float) -> str:
    row = db.execute("SELECT id FROM vehicle WHERE name = ?", (name,)).fetchone()
    if row is not None:
        return str(row["id"])
    made = new_id()
    db.execute("INSERT INTO vehicle (id, name, created) VALUES (?, ?, ?)", (made, name, now))
    return made


def _insert(
    db: Connection, kind: Kind, vehicle: str | None, platform: str, owner: str, language: str, now: float
) -> str:
    made = new_id()
    db.execute(
        "INSERT INTO job (id, kind, vehicle, platform, language, owner, created, state, queued)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, 'queued', ?)",
        (made, kind, vehicle, platform, language, owner, now, now),
    )
    return made


def _job(row: Row) -> Job:
    kept = {name: row[name] for name in row.keys() if name in Job.__slots__}  # noqa: SIM118 - a row's values else
    kept["summary"] = {**_NO_SUMMARY, **json.loads(row["summary"] or "{}")}
    kept["policy"] = row["policy"] or ""
    return Job(**kept)
