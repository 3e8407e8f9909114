"""Adding many recordings with many workers: local processes, or an existing cluster; the result is the same."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from fleet.compact import compact
from fleet.known import listed
from fleet.manifest import ManifestRow
from fleet.privacy import Pseudonyms, agree
from fleet.sources import Task
from fleet.store import Store
from fleet.worker import Also, Job, Outcome, work

Progress = Callable[[str, int, int], None]
_CHUNK = 16  # most recordings of one part
_LOOSE = 64  # parts of few recordings that are left before they are merged


@dataclass(slots=True)
class BatchReport:
    """What an add did. failed: with why. seconds: of the whole add."""

    added: int = 0
    known: int = 0
    failed: list[Outcome] = field(default_factory=list)
    seconds: float = 0.0

    @property
    def rate(self) -> float:
        """Recordings a second, those skipped among them."""
        return (self.added + self.known) / self.seconds if self.seconds else 0.0


def add_logs(
    store: Store,
    tasks: Sequence[Task],
    *,
    workers: int = 0,
    scheduler: str = "",
    pseudonyms: Pseudonyms | None = None,
    also: Also | None = None,
    progress: Progress | None = None,
) -> BatchReport:
    """Analyse the tasks and keep their facts; what is in already is skipped, what fails is listed, the rest goes on.

    workers: local processes; 0 for this process alone. scheduler: address of a cluster's scheduler, instead of local
    processes; its workers must see the logs and the store under the same names. A worker that dies is replaced and its
    task tried again; a log under which workers die even when it runs alone is given up. Stopped and called again, it
    goes on where it was. Raises UsageError where the libraries for many workers are not installed.
    """
    begun = time.perf_counter()
    agree(store, pseudonyms)
    report = BatchReport()
    added = set()
    with listed(store) as listing:
        job = Job(store.url, listing, pseudonyms, also)
        runs = _outcomes(job, tasks, workers, scheduler)
        for done, outcome in enumerate(runs, start=1):
            if outcome.status == "failed":
                report.failed.append(outcome)
            elif outcome.status == "known" or outcome.recording in added:
                report.known += 1
            else:
                added.add(outcome.recording)
            if progress:
                progress("recordings", done, len(tasks))
    report.added = len(added)
    report.failed.sort(key=lambda outcome: outcome.task.logs)
    if sum(len(part.head) <= _CHUNK for part in store.snapshot().parts.values()) > _LOOSE:
        compact(store)
    report.seconds = time.perf_counter() - begun
    return report


def add_manifest(store: Store, rows: Sequence[ManifestRow], pseudonyms: Pseudonyms | None = None) -> None:
    """Keep what a manifest says of vehicles and their visits."""
    name = pseudonyms.of if pseudonyms else str
    vehicles = [
        {"vehicle": name(row.vehicle), "platform": row.platform, "battery": row.battery, "depot": row.depot}
        for row in rows
    ]
    visits = [
        {"vehicle": name(row.vehicle), "day": visit.day, "kind": visit.kind} for row in rows for visit in row.visits
    ]
    agree(store, pseudonyms)
    store.add_vehicles(vehicles, visits)


def _outcomes(job: Job, tasks: Sequence[Task], workers: int, scheduler: str) -> Iterator[Outcome]:
    if not (workers or scheduler):
        for task in tasks:
            yield from work(job, [task])
        return
    from fleet.cluster import run_everywhere

    size = max(1, min(_CHUNK, len(tasks) // (max(workers, 1) * 8)))
    chunks = [tuple(tasks[first : first + size]) for first in range(0, len(tasks), size)]
    yield from run_everywhere(job, chunks, workers, scheduler)
