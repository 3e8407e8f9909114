"""A store of many vehicles over twelve weeks: how long the page and one trend take, and in how much memory.

python -m benchmarks.fleet_store 1000 [250]
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmarks.fleet_simulated import Fault, arrow_of, simulate
from fleet.parts import part_name
from fleet.store import Store, open_store
from fleet.tables import SCHEMA, TABLES

DAYS = 84
_A_PART = 50  # vehicles


def fill(store: Store, vehicles: int) -> int:
    """Fill a store with simulated weeks, every table with as many rows as in life. Returns the drives."""
    drives = 0
    for first in range(0, vehicles, _A_PART):
        names = [f"van-{n:05d}" for n in range(first, min(first + _A_PART, vehicles))]
        faults = {name: Fault(rise=0.1) if n % 50 == 0 else Fault() for n, name in enumerate(names)}
        frames = simulate(faults, DAYS, seed=first)
        tables = _tables(frames["recordings"], frames["daily"])
        drives += len(tables["drives"])
        keys = tables["recordings"].column("recording").to_pylist()
        store.write_part(part_name(keys), tables)
    return drives


def _tables(recordings: pd.DataFrame, daily: pd.DataFrame) -> dict[str, Any]:
    heads = recordings.assign(
        platform_sha256="d",
        schema=SCHEMA,
        generation=0,
        sources=pd.Series([[f"{key:0>64}"] for key in recordings["recording"]], recordings.index),
        files=pd.Series([[f"{key}.blf"] for key in recordings["recording"]], recordings.index),
        conditions=pd.Series([["state of charge", "hood"]] * len(recordings), recordings.index),
    )
    frames = {"recordings": heads, "daily": daily}
    for table, count in (
        ("drives", "drives"),
        ("standstills", "opportunities"),
        ("starts", "cranks"),
        ("rests", "rests"),
    ):
        frames[table] = _rows(daily, count, table)
    refused = daily[daily["refused"] > 0]
    shares = (("state of charge", "electrical", 0.4), ("hood", "safety", 0.2), ("front defrost", "comfort", 0.4))
    frames["refusals"] = pd.concat(
        refused[["recording", "vehicle", "day"]].assign(
            condition=condition, group=group, refusals=np.ceil(refused["refused"] * share), alone=0, lost_idle_s=20.0
        )
        for condition, group, share in shares
    )
    some = recordings.iloc[:: DAYS // 2]
    frames["findings"] = some[["recording", "vehicle", "time"]].assign(
        row=0, t_s=0.0, code="data_gap", weight="note", possible=False
    )
    return {name: arrow_of(name, frame) for name, frame in frames.items()}


def _rows(daily: pd.DataFrame, count: str, table: str) -> pd.DataFrame:
    """As many rows as the day counted, with values in every column that takes numbers."""
    times = daily[count].to_numpy(int)
    rows = daily[["recording", "vehicle", "day"]].iloc[np.repeat(np.arange(len(daily)), times)].reset_index(drop=True)
    rng = np.random.default_rng(1)
    kinds: dict[str, Any] = {
        "float": lambda n: np.round(rng.normal(10, 3, n), 3),
        "int": lambda n: rng.integers(0, 9, n),
    }
    for column in TABLES[table]:
        if column.name not in rows and column.kind in kinds:
            rows[column.name] = kinds[column.kind](len(rows))
    rows["time"] = rows["day"].dt.tz_localize("UTC")
    return rows


def run(*words: str) -> dict[str, float]:
    """A command in a process of its own, as a user runs it: seconds, CPU seconds, largest memory [MB]."""
    begun = time.perf_counter()
    child = subprocess.Popen([sys.executable, "-m", "idlewhy", *words], stdout=subprocess.DEVNULL)
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{' '.join(words)} ended with {child.returncode}")
    seconds = time.perf_counter() - begun
    return {"s": seconds, "cpu_s": used.ru_utime + used.ru_stime, "peak_mb": used.ru_maxrss / 1024}


def main() -> None:
    for vehicles in [int(word) for word in sys.argv[1:]] or [1000]:
        with tempfile.TemporaryDirectory() as folder:
            store, page = Path(folder) / "store", Path(folder) / "fleet.html"
            drives = fill(open_store(store), vehicles)
            size = sum(path.stat().st_size for path in store.rglob("*.parquet")) / 1e6
            report = run("fleet", "report", "--store", str(store), "-o", str(page))
            trend = run("fleet", "trend", "resistance", "--store", str(store), "--csv", "-")
            written = page.stat().st_size / 1e6
        print(f"{vehicles} vehicles x 12 weeks, {drives} drives, {size:.0f} MB:")
        for name, told in ((f"page of {written:.1f} MB", report), ("one trend", trend)):
            print(f"  {name}: {told['s']:.2f} s, {told['cpu_s']:.2f} s CPU, {told['peak_mb']:.0f} MB of memory")


if __name__ == "__main__":
    main()
