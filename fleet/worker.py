"""What one worker does with one task: fetch, tell whether it is in already, analyse, put the facts into the store."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

from decoder.record import hash_of
from fleet.facts import facts, recording_key
from fleet.privacy import Pseudonyms
from fleet.sources import Task
from fleet.store import Store, open_store
from idle_stop.analysis import Analysis, analyse
from signal_defs.errors import IdlewhyError, LogError
from signal_defs.load import load_platform

Status = Literal["added", "known", "failed"]
Also = Callable[[Analysis], None]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a task. recording: its key, empty where it failed. why: what is wrong and how to mend it."""

    task: Task
    status: Status
    recording: str = ""
    why: str = ""
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Job:
    """What all tasks of one add share. also: called with each analysis, on the worker; must survive pickling."""

    store: str
    pseudonyms: Pseudonyms | None = None
    also: Also | None = None


_stores: dict[str, Store] = {}  # one a process: the heads that were read stay in memory


def work(job: Job, tasks: Sequence[Task]) -> list[Outcome]:
    """Do some tasks and put what came out into the store as one part. Never raises for what a log or platform holds."""
    store = _stores.setdefault(job.store, open_store(job.store))
    snapshot = store.snapshot()
    known, made = snapshot.known(), set(snapshot.sources)
    outcomes = []
    parts: dict[str, dict[str, Any]] = {}
    for task in tasks:
        begun = time.perf_counter()
        try:
            with TemporaryDirectory(prefix="idlewhy-") as scratch:
                logs = [_fetched(log, Path(scratch)) for log in task.logs]
                hashes = _hashes(task, logs)
                platform = load_platform(task.platform)
                key = recording_key(hashes, platform.sha256)
                if key in made or key in parts:
                    outcomes.append(Outcome(task, "known", key))
                    continue
                older = [known[one] for one in hashes if one in known]
                generation = _generation(older, platform.sha256, snapshot)
                analysis = analyse(logs, platform, vehicle=task.vehicle)
        except IdlewhyError as fault:
            outcomes.append(Outcome(task, "failed", why=str(fault), seconds=time.perf_counter() - begun))
            continue
        except Exception as fault:  # noqa: BLE001 - one log never stops the rest
            why = f"A defect of idlewhy: {type(fault).__name__}: {fault}"
            outcomes.append(Outcome(task, "failed", why=why, seconds=time.perf_counter() - begun))
            continue
        name = job.pseudonyms.of(task.vehicle) if job.pseudonyms else task.vehicle
        parts[key] = facts(analysis, vehicle=name, generation=generation, keep_names=job.pseudonyms is None)
        if job.also is not None:
            job.also(analysis)
        outcomes.append(Outcome(task, "added", key, seconds=time.perf_counter() - begun))
    if parts:
        store.add(list(parts.values()))
    return outcomes


def _generation(older: Sequence[str], definition: str, snapshot: Any) -> int:
    """0, or what makes this recording count instead of those of the same logs with another definition."""
    generations = [snapshot.generations[key] for key in older]
    changed = any(snapshot.definitions[key] != definition for key in older)
    return max(generations, default=0) + changed


def _hashes(task: Task, logs: Sequence[str]) -> list[str]:
    found = [hash_of(log) for log in logs]
    if "" in found:
        name = task.logs[found.index("")]
        raise LogError("The log is not there, or cannot be read.", where=name, mend="Look at the name and its rights.")
    return found


def _fetched(log: str, scratch: Path) -> str:
    """A local log as it is; one of an object store, copied beside."""
    if "://" not in log:
        return log
    import fsspec

    target = scratch / log.rsplit("/", 1)[-1]
    try:
        fs, path = fsspec.core.url_to_fs(log)
        fs.get_file(path, str(target))
    except OSError as fault:
        raise LogError(
            f"The log could not be fetched ({fault}).", where=log, mend="Look at its name and rights."
        ) from fault
    return str(target)
