"""The queue: jobs served in the order they came, by any number of workers in any number of processes.

Whoever takes a job writes its name beside it and says every few seconds that it is alive; a job whose server has died
goes back into the queue, at the front, since it keeps its time of entry.
"""

from __future__ import annotations

import json
import os
import socket
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from idlewhy.web.database import Database
from idlewhy.web.jobs import Job, Jobs
from idlewhy.web.names import new_id
from idlewhy.web.run_child import Fault

LEASE_S = 20.0  # without a sign of life for so long, a server counts as dead
MAX_TRIES = 3  # a job that took three servers with it is not tried again


@dataclass(frozen=True, slots=True)
class Claim:
    """A job in the hands of one worker. Only the latest attempt may write."""

    job: Job
    worker: str
    attempt: int


class Queue:
    """The queue of one store."""

    def __init__(self, database: Database, jobs: Jobs) -> None:
        self._database = database
        self._jobs = jobs

    def claim(self, worker: str) -> Claim | None:
        """Take the job that waits longest; None if none waits."""
        now = time.time()
        with self._database.change() as db:
            row = db.execute(
                "UPDATE job SET state = 'running', worker = ?, beat = ?, started = ?,"
                " attempt = attempt + 1, tries = tries + 1,"
                " stage = 'start'"
                " WHERE id = (SELECT id FROM job WHERE state = 'queued' ORDER BY queued, id LIMIT 1)"
                " RETURNING id, attempt",
                (worker, now, now),
            ).fetchone()
        return None if row is None else Claim(self._jobs.get(row["id"]), worker, row["attempt"])

    def beat(self, claim: Claim, progress: dict[str, Any] | None) -> bool:
        """Say that the worker lives, and how far it is; False if the job is no longer its own."""
        now = progress or {}
        change = (
            "beat = ?, stage = COALESCE(?, stage), done = COALESCE(?, done), total = COALESCE(?, total),"
            " frames = COALESCE(?, frames)"
        )
        values = (time.time(), now.get("stage"), now.get("done"), now.get("total"), now.get("frames"))
        return self._own(claim, change, values, lasting=False)

    def done(self, claim: Claim, summary: dict[str, Any], policy: str, result: str) -> bool:
        """Record the result; False if the job is no longer this worker's, and the result is nobody's."""
        values = (json.dumps(summary), policy, result, time.time())
        return self._end(claim, "state = 'done', summary = ?, policy = ?, result = ?, ended = ?", values)

    def failed(self, claim: Claim, fault: Fault) -> bool:
        """Record why there is no result."""
        values = (fault.kind, fault.what[:4000], fault.place[:1000], fault.mend[:1000], time.time())
        return self._end(claim, "state = 'failed', fault = ?, what = ?, place = ?, mend = ?, ended = ?", values)

    def give_back(self, claim: Claim) -> bool:
        """Put the job back to where it stood in the queue: this server stops."""
        return self._end(claim, "state = 'queued', stage = '', done = 0, frames = 0, tries = tries - 1", ())

    def _end(self, claim: Claim, change: str, values: tuple[Any, ...]) -> bool:
        return self._own(claim, f"{change}, worker = NULL", values)

    def _own(self, claim: Claim, change: str, values: tuple[Any, ...], *, lasting: bool = True) -> bool:
        """Change a job that is this worker's still. change: a literal of this module."""
        query = f"UPDATE job SET {change} WHERE id = ? AND worker = ? AND attempt = ? AND state = 'running'"  # noqa: S608
        return bool(self._database.write(query, *values, claim.job.id, claim.worker, claim.attempt, lasting=lasting))

    def take_back_from_the_dead(self) -> int:
        """Queue again what servers left behind that no longer live; how many."""
        now = time.time()
        taken = 0
        with self._database.change() as db:
            rows = db.execute("SELECT id, worker, beat, tries FROM job WHERE state = 'running'").fetchall()
            for row in rows:
                if now - (row["beat"] or 0.0) < LEASE_S and is_alive(row["worker"] or ""):
                    continue
                taken += 1
                if row["tries"] >= MAX_TRIES:
                    db.execute(
                        "UPDATE job SET state = 'failed', fault = 'defect', worker = NULL, ended = ?, what = ?,"
                        " mend = ? WHERE id = ?",
                        (now, "The server ended three times while it analysed this.", "Please report this.", row["id"]),
                    )
                else:
                    db.execute("UPDATE job SET state = 'queued', worker = NULL, stage = '' WHERE id = ?", (row["id"],))
        return taken


def worker_name() -> str:
    """The name of this process, told apart from every other one on every machine."""
    return f"{socket.gethostname()}:{os.getpid()}:{_born(os.getpid())}:{new_id()}"


def is_alive(worker: str) -> bool:
    """False if it ran on this machine and its process is gone; another machine's is judged by its sign of life."""
    parts = worker.rsplit(":", 3)
    if len(parts) != 4 or parts[0] != socket.gethostname() or not Path("/proc/self/stat").exists():
        return len(parts) == 4
    return parts[2] == _born(int(parts[1]))


def _born(pid: int) -> str:
    """Start time of a process in clock ticks since boot; empty if there is none."""
    try:
        return Path(f"/proc/{pid}/stat").read_text("ascii", "replace").rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        return ""
