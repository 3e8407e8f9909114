"""How charge moves between measurements: what is counted, what may be wrong with the counting, and by how much."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from decoder.frames import FloatArray, Int64Array
from estimator.grid import SECOND_NS, Grid
from estimator.phases import RUNNING

STEP_S = 30.0

# The unknowns of the counting, each with a prior. Times p means: in per cent, by the unknown "percent per Ah".
START, PER_AH, OFFSET, DRIFT, SELF_DISCHARGE, GASSING, LOSS = range(7)
COUNTED: Final = 7

SLEEPING_A = -0.02  # assumed while parked and unseen; common practice: 20-50 mA after sleep
GAP_PARKED_A = 0.03  # and its standard deviation
GAP_DRIVING_A = 12.0


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """The counting on rows thirty seconds apart (m rows).

    row: (m,) row of the grid. time_s: (m,) from the grid's first row [s]. design: (m, COUNTED) what each unknown adds
    to the charge [% per unit]. clock: (m,) accumulated variance of what no unknown explains [Ah^2].
    """

    row: Int64Array
    time_s: FloatArray
    design: FloatArray
    clock: FloatArray


def lay_out_motion(grid: Grid, kind: Int64Array, capacity_nominal: float) -> Motion:
    """The design of the counting over a whole recording; the grid must not be empty."""
    time_s = grid.end_s
    row = np.flatnonzero(np.diff(time_s // STEP_S, append=-1.0) != 0)
    hours = np.diff(grid.covered_s, prepend=0.0) / 3600.0
    temperature = grid.known_temperature()
    gap_h, parked = _gaps(grid, kind)
    unseen_ah = np.cumsum(np.where(parked, SLEEPING_A * gap_h, 0.0))
    design = np.zeros((len(row), COUNTED))
    design[:, START] = 1.0
    design[:, PER_AH] = (grid.charge_ah + unseen_ah)[row]
    design[:, OFFSET] = -np.cumsum(hours)[row]
    design[:, DRIFT] = -np.cumsum(hours * (temperature - 25.0) / 10.0)[row]
    design[:, SELF_DISCHARGE] = -time_s[row] / 86400.0
    design[:, GASSING] = -np.cumsum(_gassing_a(grid.voltage, temperature, capacity_nominal) * hours)[row]
    design[:, LOSS] = -grid.charged_ah[row]
    charged = np.diff(grid.charged_ah, prepend=0.0)
    moved = np.abs(np.diff(grid.charge_ah, prepend=0.0))
    gap_var = np.where(parked, (GAP_PARKED_A * gap_h) ** 2, (GAP_DRIVING_A * gap_h) ** 2 * (gap_h > 0))
    gap_var = np.minimum(gap_var, (0.5 * capacity_nominal) ** 2)
    # Wander of the sensor's zero by 15 mA over hours; 1.5 % of a drive's charge and 1 % of its discharge. Ours.
    steps = 2.5e-3 * hours + 1e-3 * charged + 1e-3 * moved + gap_var
    return Motion(row, time_s[row], design, np.cumsum(steps)[row])


def _gassing_a(voltage: FloatArray, temperature: FloatArray, capacity_nominal: float) -> FloatArray:
    """(n,) current that makes gas instead of charge in a typical battery [A]; 0 below 13 V or where unknown.

    20 mA per 100 Ah at 2.23 V/cell and 20 degC, times e per 1/11 V/cell and per 1/0.06 K: Schiffer et al., J. Power
    Sources 168 (2007) 66-78, from memory.
    """
    per_cell = np.nan_to_num(voltage, nan=0.0) / 6.0
    exponent = 11.0 * (per_cell - 2.23) + 0.06 * (temperature - 20.0)
    return np.where(per_cell * 6.0 > 13.0, 2e-4 * capacity_nominal * np.exp(np.minimum(exponent, 6.0)), 0.0)


def _gaps(grid: Grid, kind: Int64Array) -> tuple[FloatArray, FloatArray]:
    """(n,) hours unseen before each row, and whether the vehicle was parked in them."""
    gap_h = grid.uncovered_s / 3600.0
    off = kind != RUNNING
    before = np.concatenate(([True], off[:-1]))
    return gap_h, before & off & (gap_h > 60.0 / 3600.0)


def priors(capacity_nominal: float) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of each unknown, (COUNTED,) twice, in the order of the constants above.

    Start: anything, rather full. Per Ah: 90 % of the rated capacity, give or take 30 %. Offset: 40 mA. Drift: 10 mA
    in 10 K. Self-discharge: 1.5 % a month, up to 7 %. Gassing: the typical, up to several times. Loss: half a per cent,
    give or take two.
    """
    per_ah = 100.0 / (0.9 * capacity_nominal)
    mean = np.array([75.0, per_ah, 0.0, 0.0, 0.05, per_ah, 0.005 * per_ah])
    spread = np.array([25.0, 0.3 * per_ah, 0.04 * per_ah, 0.01 * per_ah, 0.1, 2.5 * per_ah, 0.02 * per_ah])
    return mean, spread


def seconds_from(grid: Grid, time_ns: int) -> float:
    """An instant, in the seconds of `Motion.time_s`."""
    return (time_ns - int(grid.time_ns[0])) / SECOND_NS
