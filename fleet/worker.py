"""What one worker does with one task: fetch, tell whether it is in already, analyse, put the facts into the store."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

from decoder.record import hash_of
from fleet.facts import facts, recording_key
from fleet.known import Known, read_known
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


@dataclass(frozen=True, slots=True)
class Job:
    """What all tasks of one add share. listing: see `fleet.known.listed`. also: called with each analysis, on the
    worker; must survive pickling.
    """

    store: str
    listing: str
    pseudonyms: Pseudonyms | None = None
    also: Also | None = None


@lru_cache(maxsize=2)
def _opened(store: str, listing: str) -> tuple[Store, Known, set[str]]:
    """Once a process and add: the store, what it held when the add began, what this process added since."""
    opened = open_store(store)
    return opened, read_known(opened, listing), set()


def work(job: Job, tasks: Sequence[Task]) -> list[Outcome]:
    """Do some tasks and put what came out into the store as one part. Never raises for what a log or platform holds.

    A recording that others add meanwhile is added twice; the store counts it once.
    """
    store, known, mine = _opened(job.store, job.listing)
    parts: dict[str, dict[str, Any]] = {}
    outcomes = []
    for task in tasks:
        try:
            key, tables = _done(job, task, known, mine | parts.keys())
        except IdlewhyError as fault:
            outcomes.append(Outcome(task, "failed", why=str(fault)))
            continue
        except Exception as fault:  # noqa: BLE001 - one log never stops the rest
            why = f"A defect of idlewhy: {type(fault).__name__}: {fault}"
            outcomes.append(Outcome(task, "failed", why=why))
            continue
        if tables:
            parts[key] = tables
        outcomes.append(Outcome(task, "added" if tables else "known", key))
    if parts:
        store.add(list(parts.values()))
        mine.update(parts)
    return outcomes


def _done(job: Job, task: Task, known: Known, mine: AbstractSet[str]) -> tuple[str, dict[str, Any]]:
    """Key and tables of a task's recording; no tables where it is in already."""
    with TemporaryDirectory(prefix="idlewhy-") as scratch:
        logs = [_fetched(log, Path(scratch)) for log in task.logs]
        hashes = _hashes(task, logs)
        platform = load_platform(task.platform)
        key = recording_key(hashes, platform.sha256)
        if key in mine or known.has(key):
            return key, {}
        analysis = analyse(logs, platform, vehicle=task.vehicle)
    name = job.pseudonyms.of(task.vehicle) if job.pseudonyms else task.vehicle
    generation = known.generation(hashes, platform.sha256)
    tables = facts(analysis, vehicle=name, generation=generation, keep_names=job.pseudonyms is None)
    if job.also is not None:
        job.also(analysis)
    return key, tables


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
