"""How soon the command answers: CPU time of `--help`, CPU and wall time of the report on a small log.

    python -m benchmarks.startup

Goals: `--help` under 0.3 s of CPU, `report` of a ten-hour log of the sensor's line (some 5 MB) under 3 s. The best of
several runs counts, since other work on the machine only ever adds to it; each run is a process of its own. A first
report fills the cache of parsed databases and is not counted.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from idlewhy.demo.make import make_logs

RUNS = 5
HELP_CPU_S = 0.3
REPORT_S = 3.0


def seconds(words: list[str], folder: Path) -> tuple[float, float]:
    """CPU and wall time of the command, the best of several runs [s]."""
    cpu, wall = [], []
    for _ in range(RUNS):
        before, begin = os.times(), time.perf_counter()
        subprocess.run([sys.executable, "-m", "idlewhy", *words], check=True, capture_output=True, cwd=folder)
        after = os.times()
        wall.append(time.perf_counter() - begin)
        used = after.children_user - before.children_user + after.children_system - before.children_system
        cpu.append(used)
    return min(cpu), min(wall)


def main() -> int:
    """Print the table; 1 where a goal is missed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_logs(folder, only=("hatch-01",))
        report = ["report", "hatch-01.log", "--platform", "example-hatch", "-o", "page.html"]
        subprocess.run([sys.executable, "-m", "idlewhy", *report], check=True, capture_output=True, cwd=folder)
        help_cpu, help_wall = seconds(["--help"], folder)
        report_cpu, report_wall = seconds(report, folder)
        size = (folder / "hatch-01.log").stat().st_size
    print(f"idlewhy --help                  {help_cpu:5.2f} s CPU  {help_wall:5.2f} s wall   goal {HELP_CPU_S} s CPU")
    what = f"idlewhy report ({size / 1e6:.1f} MB log)"
    print(f"{what:31} {report_cpu:5.2f} s CPU  {report_wall:5.2f} s wall   goal {REPORT_S} s")
    return int(help_cpu >= HELP_CPU_S or report_wall >= REPORT_S)


if __name__ == "__main__":
    sys.exit(main())
