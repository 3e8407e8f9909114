"""How much faster two workers add logs than one, and what a thousand would make of a million vehicle-days.

    python -m benchmarks.fleet_scaling [RECORDINGS]

Workers are started beforehand, as on a cluster; recordings are those of the demo with other noise, so that no two are
alike.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
import warnings
from pathlib import Path

from fleet.batch import add_logs
from fleet.sources import Task
from fleet.store import open_store
from idlewhy.demo import make_logs


def make_tasks(folder: Path, recordings: int) -> list[Task]:
    """That many different recordings of two vehicles of the demo."""
    tasks: list[Task] = []
    for seed in range(recordings):
        made = make_logs_of(folder / f"{seed:04d}", seed)
        tasks.append(Task(f"v-{seed}", made[0], made[1]))
    return tasks


def make_logs_of(folder: Path, seed: int) -> tuple[str, tuple[str, ...]]:
    folder.mkdir(parents=True)
    one = make_logs(folder, seed=seed, only=(("van-01", "van-07")[seed % 2],))[0]
    return one.platform, tuple(str(log) for log in one.logs)


def add_with(workers: int, tasks: list[Task], folder: Path) -> float:
    """Seconds for adding all tasks with that many running workers, after one warm-up task each."""
    from distributed import Client, LocalCluster

    with (
        warnings.catch_warnings(),
        LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None, host="127.0.0.1") as cluster,
        Client(cluster) as client,
    ):
        warnings.simplefilter("ignore")
        client.run(__import__, "idle_stop.analysis")
        warm = open_store(folder / f"warm-{workers}")
        add_logs(warm, tasks[: 2 * workers], scheduler=cluster.scheduler_address)
        begun = time.perf_counter()
        report = add_logs(open_store(folder / f"store-{workers}"), tasks, scheduler=cluster.scheduler_address)
        seconds = time.perf_counter() - begun
    assert (report.added, report.failed) == (len(tasks), [])
    return seconds


def plan(task_s: float, workers: int = 1000, recordings: int = 1_000_000) -> list[str]:
    """What the measured time of a task means for a cluster: work, the scheduler, the listing of the store."""
    a_task_in_scheduler = 0.0005  # seconds; Dask's documentation: up to 1 ms of overhead a task
    chunk = 16
    work = recordings * task_s / workers
    scheduler = recordings / chunk * a_task_in_scheduler
    objects = recordings / chunk * 11
    puts = objects / 3500  # writes a second and prefix that a large object store promises, eleven prefixes
    return [
        f"{recordings} recordings on {workers} workers, {task_s:.2f} s each, {chunk} a part:",
        f"  work {work / 60:.1f} min; scheduler {scheduler:.0f} s in all;",
        f"  {objects:.0f} objects, {puts / 11:.0f} s of writes;",
        "  bottleneck: the analysis itself; next, that whoever reads the store afterwards reads so many heads:",
        f"  {recordings / chunk:.0f}, sixteen at once: merge parts (fleet compact) after such an add.",
    ]


def main() -> None:
    recordings = int(sys.argv[1]) if len(sys.argv) > 1 else 24
    folder = Path(tempfile.mkdtemp())
    try:
        tasks = make_tasks(folder / "logs", recordings)
        one, two = (add_with(workers, tasks, folder) for workers in (1, 2))
    finally:
        shutil.rmtree(folder)
    print(f"{recordings} recordings: one worker {one:.1f} s, two workers {two:.1f} s: {one / two / 2:.0%} of linear")
    print("\n".join(plan(one / recordings)))


if __name__ == "__main__":
    main()
