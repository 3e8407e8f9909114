"""`python -m benchmarks.month_of_a_battery`: the cost of estimating a month of one vehicle at ten samples a second."""

from __future__ import annotations

import resource
import time

import numpy as np

from decoder.recording import Recording, Trace
from estimator.battery import estimate_battery
from signal_defs.platform import Battery

START_NS = 1_700_000_000_000_000_000


def a_month(samples: int = 26_000_000) -> Recording:
    """Two half-hour drives a day, a crank before each, noise on voltage and current."""
    random = np.random.default_rng(0)
    time_ns = START_NS + np.arange(samples, dtype=np.int64) * 100_000_000
    day = np.arange(samples) % 864_000
    drive, crank = np.zeros(samples, dtype=bool), np.zeros(samples, dtype=bool)
    for begin in (288_000, 612_000):
        drive |= (day > begin) & (day < begin + 18_000)
        crank |= (day > begin - 8) & (day <= begin)
    columns = {
        "battery_voltage": np.where(crank, 10.5, np.where(drive, 14.2, 12.7)) + random.normal(0.0, 0.002, samples),
        "battery_current": np.where(crank, -250.0, np.where(drive, 8.0, -0.03)) + random.normal(0.0, 0.03, samples),
        "engine_speed": np.where(drive, 900.0, 0.0),
    }
    valid = np.ones(samples, dtype=bool)
    traces = {role: Trace(role, "bench/Message.x", "", time_ns, value, valid) for role, value in columns.items()}
    return Recording(int(time_ns[0]), int(time_ns[-1]), True, samples, samples, traces)


def main() -> None:
    recording = a_month()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    cpu, wall = time.process_time(), time.perf_counter()
    found = estimate_battery(recording, Battery("agm", 70.0, 760.0, "EN"))
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    more = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    print(f"{recording.frames:,} samples: {cpu:.1f} s CPU, {wall:.1f} s wall, {more:.0f} MB beside the recording")
    print(f"{len(found.starts)} starts, {len(found.rests)} rests, {len(found.time_ns):,} rows of charge")


if __name__ == "__main__":
    main()
