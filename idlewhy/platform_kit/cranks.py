"""Cranks and load steps in a voltage and a current whose sign and names are not yet known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from decoder.frames import FloatArray, Int64Array
from idlewhy.platform_kit.series import Series

# Common practice, no source; a starter draws some hundred amperes and pulls a 12 V battery down by one to four volts.
DIP_V = 0.8
BEFORE_S, AFTER_S = 1.0, 4.0
APART_S = 5.0
STEP_A = 60.0
LOAD_STEP_A = 5.0
RESISTANCE_OHM = (0.0015, 0.04)
AT_REST_V = (9.0, 16.0)


@dataclass(frozen=True, slots=True, eq=False)
class Cranks:
    """Dips of a voltage and what a current did: time_ns, depth_v, step_a (n,) each.

    step_a: the current's largest departure from before, signed as the signal counts; NaN where it has no sample.
    """

    time_ns: Int64Array
    depth_v: FloatArray
    step_a: FloatArray

    @property
    def with_current(self) -> FloatArray:
        """Steps as large as a starter's, with a resistance that a battery can have."""
        with np.errstate(divide="ignore", invalid="ignore"):
            resistance = self.depth_v / np.abs(self.step_a)
        fits = (resistance > RESISTANCE_OHM[0]) & (resistance < RESISTANCE_OHM[1])
        large = np.abs(np.nan_to_num(self.step_a)) >= STEP_A
        return self.step_a[fits & large]

    @property
    def drawn_is_negative(self) -> bool | None:
        """Whether the current counts discharge as negative; None where the cranks do not agree."""
        steps = self.with_current
        negative = int((steps < 0).sum())
        if not len(steps) or 0.2 * len(steps) < negative < 0.8 * len(steps):
            return None
        return negative > len(steps) / 2


def find_dips(voltage: Series) -> tuple[Int64Array, FloatArray]:
    """Instants at which a voltage [V] fell and came back within seconds, and by how much [V]."""
    time, value = voltage.time_ns, voltage.value
    before = voltage.held(time - int(BEFORE_S * 1e9), 3.0)
    after = voltage.held(time + int(AFTER_S * 1e9), 3.0)
    least, most = np.minimum(before, after), np.maximum(before, after)
    rows = np.flatnonzero((least > AT_REST_V[0]) & (most < AT_REST_V[1]) & (least - value > DIP_V))
    if not len(rows):
        return np.empty(0, np.int64), np.empty(0)
    starts = np.flatnonzero(np.diff(time[rows], prepend=time[rows[0]] - int(1e12)) > APART_S * 1e9)
    lowest = [
        rows[first:past][np.argmin(value[rows[first:past]])]
        for first, past in zip(starts, [*starts[1:], len(rows)], strict=True)
    ]
    at = np.array(lowest, dtype=np.int64)
    return time[at], before[at] - value[at]


def cranks_of(dips: tuple[Int64Array, FloatArray], current: Series) -> Cranks:
    """What a current [A] did at those dips."""
    times, depths = dips
    before = current.held(times - int(BEFORE_S * 1e9), 3.0)
    steps = np.full(len(times), np.nan)
    for place, instant in enumerate(times.tolist()):
        values = current.between(instant - 400_000_000, instant + 400_000_000)
        if len(values) and np.isfinite(before[place]):
            away = values - before[place]
            steps[place] = away[np.argmax(np.abs(away))]
    return Cranks(times, depths, steps)


def slope_by_steps(voltage: Series, current: Series) -> tuple[float, int]:
    """Change of voltage over change of current [Ohm] where the current steps by 5 A and more, and how many steps.

    A battery's voltage rises with the current that charges it: a negative slope means that discharge is positive.
    """
    grid = current.time_ns[:: max(len(current) // 200_000, 1)]
    amps, volts = current.held(grid), voltage.held(grid)
    di, dv = np.diff(amps), np.diff(volts)
    close = np.diff(grid) < 2_000_000_000
    use = close & (np.abs(di) >= LOAD_STEP_A) & np.isfinite(dv)
    if use.sum() < 10:
        return float("nan"), int(use.sum())
    return float(np.sum(dv[use] * di[use]) / np.sum(di[use] ** 2)), int(use.sum())
