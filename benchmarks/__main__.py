"""`python -m benchmarks`: how fast logs are decoded, beside two peers, and how long a report takes.

Everything runs on this machine in one go: ours warm, peers in turn with it, CPU seconds of the process (the median of
the rounds), imports and reading of databases apart. The plain loop runs over the first frames only (--peer-frames);
its seconds are scaled to a million frames, as ours are. Ratios are CPU over CPU.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from benchmarks.busy_bus import MESSAGES, SIGNALS, identifier, make_frames, make_platform, write_logs
from benchmarks.peers import floor, ours, plain_loop, timed, vectorised
from decoder.logs import compiled
from decoder.signals import choose_columns
from signal_defs.platform import Platform

SUFFIXES = (".log", ".log.gz", ".asc", ".blf", ".mf4", ".pcap", ".trc", ".csv", ".db")
# At least so many times as fast as the plain loop with all and with ten identifiers; at most so many times the floor.
GOALS = {
    ".log": (45, None, 6),
    ".asc": (45, None, None),
    ".blf": (70, 50, 3),
    ".mf4": (80, None, 2.5),
    **dict.fromkeys((".log.gz", ".trc", ".csv", ".db", ".pcap"), (30, None, None)),
}
WITH_LOOPS = {".log": (80, None, 6), ".asc": (80, None, None)}  # with the extra
VECTORISED_GOAL = 6
HEAD = (
    "log",
    "all [s]",
    "10 ids [s]",
    "loop [s]",
    "loop, 10 ids [s]",
    "faster",
    "faster, 10 ids",
    "floor [s]",
    "of floor",
)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=__doc__)
    parser.add_argument("--frames", type=int, default=1_000_000, help="frames of the log")
    parser.add_argument("--peer-frames", type=int, default=50_000, help="frames the plain loop reads")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--formats", nargs="*", default=list(SUFFIXES))
    parser.add_argument("--compiled", action="store_true", help="with the compiled loops, loaded beforehand")
    parser.add_argument("--only", choices=["formats", "scaling", "memory", "report"])
    options = parser.parse_args()
    if options.compiled:
        cpu, wall, _ = timed(lambda: compiled.load() is not None or sys.exit("The compiled loops need the extra fast."))
        print(f"Compiled loops loaded in {cpu:.2f} s CPU ({wall:.2f} s wall)\n")
    with tempfile.TemporaryDirectory() as folder:
        platform = make_platform(Path(folder))
        if options.only in {None, "formats"}:
            formats(Path(folder), platform, options)
        if options.only in {None, "scaling"}:
            scaling(Path(folder), platform, options.frames)
        if options.only in {None, "memory"}:
            memory_and_start(Path(folder), options.frames)
        if options.only in {None, "report"}:
            one_hour(Path(folder))


def formats(folder: Path, platform: Platform, options: argparse.Namespace) -> None:
    import cantools

    database = cantools.database.load_file(folder / "busy.dbc")
    paths = write_logs(folder, make_frames(options.frames), tuple(options.formats))
    everything = choose_columns(platform)
    ten = frozenset(identifier(number) for number in range(0, MESSAGES, 4)[:10])
    few = tuple(one for one in everything if platform.bus("busy").message(one.message).identifier in ten)
    print(f"Seconds of CPU (wall) for a million frames; {MESSAGES} identifiers, {SIGNALS} signals\n")
    print(f"| {' | '.join(HEAD)} |")
    print(f"|---{'|--:' * (len(HEAD) - 1)}|")
    for suffix, path in paths.items():
        ours(path, platform, few)  # warm
        rows: dict[str, list[tuple[float, float]]] = {}

        def measure(name: str, work: object, scale: float, rows: dict[str, list[tuple[float, float]]] = rows) -> None:
            cpu, wall, _ = timed(work)  # type: ignore[arg-type]  # a function without arguments that counts
            rows.setdefault(name, []).append((cpu * scale, wall * scale))

        million, peer = 1e6 / options.frames, 1e6 / min(options.peer_frames, options.frames)
        for _ in range(options.rounds):
            measure("all", lambda path=path: ours(path, platform, everything), million)
            measure("10 ids", lambda path=path: ours(path, platform, few), million)
            if suffix != ".pcap":  # python-can does not read it
                measure("loop", lambda path=path: plain_loop(path, database, None, options.peer_frames), peer)
                measure("loop 10", lambda path=path: plain_loop(path, database, ten, options.peer_frames), peer)
            measure("floor", lambda path=path: floor(path), million)
        if suffix == ".mf4":
            vectorised(path, folder / "busy.dbc")  # warm
            measure("asammdf", lambda path=path: vectorised(path, folder / "busy.dbc"), million)
        print(row_text(suffix, rows, (GOALS | WITH_LOOPS if options.compiled else GOALS)[suffix]))


def row_text(
    suffix: str, rows: dict[str, list[tuple[float, float]]], goals: tuple[float, float | None, float | None]
) -> str:
    """A row of the table: the median of each figure, and the goal beside each ratio."""
    cpu = {name: statistics.median(one[0] for one in runs) for name, runs in rows.items()}
    wall = {name: statistics.median(one[1] for one in runs) for name, runs in rows.items()}

    def cell(name: str) -> str:
        return f"{cpu[name]:.3g} ({wall[name]:.3g})" if name in cpu else ""

    def ratio(above: str, below: str, goal: float | None, bound: str = "≥") -> str:
        if above not in cpu:
            return ""
        value = cpu[above] / max(cpu[below], 1e-9)
        return f"{value:.{0 if value > 20 else 1}f}" + (f" ({bound} {goal:g})" if goal else "")

    faster, faster_ten, of_floor = goals
    cells = [suffix, *map(cell, ("all", "10 ids", "loop", "loop 10"))]
    cells += [ratio("loop", "all", faster), ratio("loop 10", "10 ids", faster_ten)]
    cells += [cell("floor"), ratio("all", "floor", of_floor, "≤")]
    text = f"| {' | '.join(cells)} |"
    if "asammdf" in cpu:
        beaten = ratio("asammdf", "all", VECTORISED_GOAL)
        text += f"\n| {suffix}, vectorised library | {cell('asammdf')} | | | | {beaten} | | | |"
    return text


def scaling(folder: Path, platform: Platform, frames: int) -> None:
    """Time at five times the frames over five times the time."""
    columns = choose_columns(platform)
    for suffix in (".log", ".blf"):
        seconds = []
        for times in (1, 5):
            path = write_logs(folder, make_frames(times * frames), (suffix,))[suffix]
            seconds.append(min(timed(lambda path=path: ours(path, platform, columns))[0] for _ in range(3)))  # type: ignore[misc]
        print(f"{suffix}: time at {5 * frames} frames over 5 x time at {frames}: {seconds[1] / (5 * seconds[0]):.2f}")


CHILD = """
import sys, time
begin = time.perf_counter()
from pathlib import Path
from benchmarks.busy_bus import make_platform
from decoder.signals import choose_columns, decode_signals
import decoder.logs.candump, decoder.logs.blf, decoder.unpack
def peak():
    with open("/proc/self/status") as file:
        return next(int(line.split()[1]) for line in file if line.startswith("VmHWM")) / 1024
folder, path = Path(sys.argv[1]), Path(sys.argv[2])
imported = time.perf_counter() - begin
platform = make_platform(folder)
columns = choose_columns(platform)
before = peak()
first = None
for one in decode_signals([path], platform, columns):
    first = first or (time.perf_counter() - begin, time.process_time())
print(f"{first[0]:.3f} {first[1]:.3f} {peak() - before:.0f} {before:.0f} {imported:.3f}")
"""


def memory_and_start(folder: Path, frames: int) -> None:
    """Peak memory over the imports, and seconds from the start of the program to the first value, CPU and wall.

    Twice for each log: with nothing cached, so that the database is parsed, and again with what the first run kept.
    """
    for run, (suffix, count) in enumerate(((".log", 20_000), (".blf", 20_000), (".log", frames), (".blf", frames))):
        path = write_logs(folder, make_frames(count), (suffix,))[suffix]
        command = [sys.executable, "-c", CHILD, str(folder), str(path)]
        environment = os.environ | {"IDLEWHY_CACHE": str(folder / f"cache-{run}")}
        for cache in ("nothing cached", "database cached"):
            answer = subprocess.run(command, check=True, capture_output=True, text=True, env=environment).stdout
            first, cpu, more, imports, seconds = answer.split()
            print(
                f"{suffix}, {count} frames, {cache}: first value after {cpu} s of CPU, {first} s, of which "
                f"imports {seconds} s; "
                f"peak memory imports ({imports} MiB) + {more} MiB"
            )


def one_hour(folder: Path) -> None:
    """An hour of a van's two buses, three million frames, through `report`."""
    from benchmarks.hour import write_hour

    path = folder / "hour.log"
    frames = write_hour(path)
    command = [sys.executable, "-m", "idlewhy", "report", str(path), "--platform", "example-van"]
    command += ["-o", str(folder / "hour.html"), "--json", str(folder / "hour.json")]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    _, wall, _ = timed(lambda: subprocess.run(command, check=True, stdout=subprocess.DEVNULL).returncode)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    size = path.stat().st_size / 1e6
    print(f"report of one hour on two buses, {frames} frames, {size:.0f} MB: {cpu:.1f} s CPU, {wall:.1f} s wall")


if __name__ == "__main__":
    main()
