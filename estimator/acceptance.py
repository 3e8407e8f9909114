"""Charge acceptance: how eagerly the battery takes charge where it, not the generator, sets the current."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from decoder.frames import FloatArray
from estimator.estimate import AcceptanceAt, Drive, Figure, unknown_figure
from estimator.grid import SECOND_NS, Grid
from estimator.measurement import GAIN_SD
from signal_defs.text import Text

CHARGING_V = 13.8
WINDOW_ROWS, THIRD = 30, 10
HELD_V, FALLING = 0.03, 0.01  # from the window's first third to its last: regulated, and by what share. Ours
SCATTER, BELIEF = 0.15, 3.0  # logarithmic, between a vehicle's drives, and for how many drives that belief stands. Ours
MEDIAN = 1.25  # a median's standard error over a mean's


def charge_acceptance(
    grid: Grid, drives: Sequence[Drive], soc: FloatArray, capacity_nominal: float
) -> tuple[Figure, AcceptanceAt | None]:
    """Current taken per rated Ah [A/Ah], of the typical drive, and the conditions it was taken at.

    Each drive's largest half-minute mean at a voltage held at 13.8 V and more while the current falls; their median.
    A rising voltage or a steady current would show what the generator can spare. The band is that of the median of
    drives like these. Comparable only at like charge, temperature and history: a full battery takes next to nothing
    and is healthy. soc: (n,) charge of each row of the grid [%].
    """
    best = [row for drive in drives if (row := _best_window(grid, drive)) is not None]
    if not best:
        return unknown_figure(
            Text(
                "No drive held {v:.1f} V for half a minute with a current that fell, so charge acceptance cannot be "
                "told: what flowed was what the generator gave.",
                {"v": CHARGING_V},
            )
        ), None
    taken = np.array([grid.current[row : row + WINDOW_ROWS].mean() for row in best]) / capacity_nominal
    middle = float(np.median(taken))
    beside = np.clip(np.log(taken / middle), -2.0 * SCATTER, 2.0 * SCATTER)  # a drive that began full is no scatter
    scatter = math.sqrt((BELIEF * SCATTER**2 + float(beside @ beside)) / (BELIEF + len(taken)))
    factor = math.exp(1.96 * math.hypot(MEDIAN * scatter / math.sqrt(len(taken)), GAIN_SD))
    seen_at = AcceptanceAt(
        voltage=_median(grid.voltage, best),
        soc=_median(soc, best),
        temperature_c=_median(grid.temperature, best),
        drives=len(best),
    )
    return Figure(middle, middle / factor, middle * factor), seen_at


def _best_window(grid: Grid, drive: Drive) -> int | None:
    """First row of the half minute in which a drive's battery took most; None if it never set the current itself."""
    rows = grid.rows(drive.start_ns, drive.end_ns)
    if rows.stop - rows.start < WINDOW_ROWS:
        return None
    voltage, current = (
        np.lib.stride_tricks.sliding_window_view(column[rows], WINDOW_ROWS) for column in (grid.voltage, grid.current)
    )
    last = rows.start + WINDOW_ROWS - 1
    unbroken = grid.time_ns[last : rows.stop] - grid.time_ns[rows.start : rows.stop - WINDOW_ROWS + 1]
    mean = current.mean(axis=1)
    with np.errstate(invalid="ignore"):
        good = (unbroken < WINDOW_ROWS * SECOND_NS) & (voltage.mean(axis=1) > CHARGING_V) & (mean > 0.0)
        good &= (np.abs(_change(voltage)) < HELD_V) & (_change(current) < -FALLING * mean)
    if not good.any():
        return None
    return int(rows.start) + int(np.argmax(np.where(good, mean, -np.inf)))


def _change(windows: FloatArray) -> FloatArray:
    """(n,) from the mean of the first third to that of the last."""
    return np.asarray(windows[:, -THIRD:].mean(axis=1) - windows[:, :THIRD].mean(axis=1))


def _median(column: FloatArray, rows: Sequence[int]) -> float:
    return float(np.median(column[np.array(rows) + WINDOW_ROWS // 2]))
