"""Drives: charge returned and drawn in each, and the voltage held."""

from __future__ import annotations

import math

import numpy as np

from decoder.frames import FloatArray, Int64Array
from decoder.recording import Recording
from estimator.estimate import Drive
from estimator.grid import SECOND_NS, Grid, runs_of, valid_samples
from estimator.phases import CRANKING, IDLE_STOP, RUNNING

HELD_ROWS = 10


def find_drives(recording: Recording, grid: Grid, kind: Int64Array, offset_a: float) -> tuple[Drive, ...]:
    """Each stretch from the first crank to engine off, idle-stops included.

    kind: (n,) phase of each row. offset_a: what the sensor adds to the current, taken off here [A].
    """
    moving = np.isin(kind, (CRANKING, RUNNING, IDLE_STOP))
    spans = [(first, last) for first, last in runs_of(moving) if (kind[first:last] == RUNNING).any()]
    return tuple(_drive(recording, grid, first, last, offset_a) for first, last in spans)


def _drive(recording: Recording, grid: Grid, first: int, last: int, offset_a: float) -> Drive:
    start_ns, end_ns = int(grid.time_ns[first]), int(grid.time_ns[last - 1]) + SECOND_NS
    charged, discharged, covered_s = charge_moved(grid, first, last, offset_a)
    return Drive(
        start_ns=start_ns,
        end_ns=end_ns,
        charged_ah=charged,
        discharged_ah=discharged,
        max_v=_held_maximum(grid, first, last),
        coverage=min(covered_s / ((end_ns - start_ns) / 1e9), 1.0),
        distance_km=_distance_km(recording, start_ns, end_ns),
    )


def charge_moved(grid: Grid, first: int, last: int, offset_a: float) -> tuple[float, float, float]:
    """Charge put in and drawn [Ah], magnitudes, and seconds covered, over rows first to last (not included)."""
    if last <= first:
        return 0.0, 0.0, 0.0

    def over(total: FloatArray) -> float:
        return float(total[last - 1] - (total[first - 1] if first else 0.0))

    covered_s = over(grid.covered_s)
    with np.errstate(invalid="ignore"):
        charging = np.flatnonzero(grid.current[first:last] > 0.0) + first
    before = np.where(charging > 0, grid.covered_s[charging - 1], 0.0)
    charging_h = float((grid.covered_s[charging] - before).sum()) / 3600.0
    charged = max(over(grid.charged_ah) - offset_a * charging_h, 0.0)
    net = over(grid.charge_ah) - offset_a * covered_s / 3600.0
    return charged, max(charged - net, 0.0), covered_s


def _held_maximum(grid: Grid, first: int, last: int) -> float:
    """Highest voltage held for ten seconds [V]; NaN in a shorter drive."""
    voltage = grid.voltage[first:last]
    voltage = voltage[np.isfinite(voltage)]
    if len(voltage) < HELD_ROWS:
        return math.nan
    return float(np.lib.stride_tricks.sliding_window_view(voltage, HELD_ROWS).min(axis=1).max())


def _distance_km(recording: Recording, start_ns: int, end_ns: int) -> float:
    time_ns, speed = valid_samples(recording.traces.get("vehicle_speed"))
    first, last = np.searchsorted(time_ns, [start_ns, end_ns])
    if last - first < 2:
        return math.nan
    step_h = np.diff(time_ns[first:last]) / 3.6e12
    mean = 0.5 * (speed[first : last - 1] + speed[first + 1 : last])
    return float((mean * step_h * (step_h < 10.0 / 3600.0)).sum())
