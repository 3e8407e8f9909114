"""What the parked vehicle draws: asleep, waking up, and for how many days the charge will last."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from estimator.estimate import Figure, WakeUp, unknown_figure
from estimator.grid import SECOND_NS, Grid, runs_of
from signal_defs.text import Text

LONGEST_FALLING_ASLEEP_S = 7200.0  # sleep is reached in 2 to 60 minutes, up to two hours; common practice
MINUTE_ROWS = 60
WAKE_A = 0.15  # above the sleeping level; common practice
SLEEPING_H = 1.0  # least sleep for a figure
CHARGED_PARKED = 0.025  # probability of a draw below which the parked vehicle is taken to be charged
UNSURE_START_SOC = 35.0  # no start after losing 20-30 Ah of a car battery (service bulletin on parasitic drain)
SELF_DISCHARGE = (0.1, 0.08)  # [%/day] and its standard deviation: 3 to 20 % a month, 4 % typical of calcium alloys


@dataclass(frozen=True, slots=True)
class Draw:
    """One rest's draw as the sensor reads it, drawn is negative [mA].

    mean_ma: time-weighted over all of it, NaN if less than half was seen. asleep_ma: without wake-ups, once asleep;
    NaN if it never slept.
    asleep_h: hours behind asleep_ma. covered_h: hours behind mean_ma. wake_ups: stretches above sleep.
    """

    mean_ma: float
    asleep_ma: float
    asleep_h: float
    covered_h: float
    wake_ups: tuple[WakeUp, ...]


def measure_draw(grid: Grid, start_ns: int, end_ns: int) -> Draw:
    """The draw between two instants; silent stretches count neither as sleep nor as draw."""
    rows = grid.rows(start_ns, end_ns)
    before = grid.covered_s[rows.start - 1] if rows.start else 0.0
    hours = np.diff(grid.covered_s[rows], prepend=before) / 3600.0
    current, time_ns = grid.current[rows], grid.time_ns[rows]
    good = np.isfinite(current) & (hours > 0)
    current, hours, time_ns = current[good], hours[good], time_ns[good]
    if not hours.sum() > 0:
        return Draw(math.nan, math.nan, 0.0, 0.0, ())
    seen = float(hours.sum()) > 0.5 * (end_ns - start_ns) / 3.6e12
    mean = 1e3 * float(current @ hours / hours.sum()) if seen else math.nan
    level = _sleep_level(current, hours)
    awake = current < level - WAKE_A
    begin = _asleep_from(awake, time_ns)
    sleeping = (time_ns >= begin) & ~awake
    slept_h = float(hours[sleeping].sum())
    asleep = 1e3 * float(current[sleeping] @ hours[sleeping]) / slept_h if slept_h > 0.05 else math.nan
    return Draw(mean, asleep, slept_h, float(hours.sum()), _wake_ups(current, hours, time_ns, awake, level, begin))


def _sleep_level(current: FloatArray, hours: FloatArray) -> float:
    """The least draw that a fifth of the rest shows [A]."""
    order = np.argsort(-current)
    share = np.cumsum(hours[order]) / hours.sum()
    return float(np.median(current[order][: int(np.searchsorted(share, 0.2)) + 1]))


def _asleep_from(awake: BoolArray, time_ns: Int64Array) -> int:
    """The first row of a minute without waking, two hours after the first row at the latest."""
    limit = int(time_ns[0]) + int(LONGEST_FALLING_ASLEEP_S * SECOND_NS)
    for first, end in runs_of(~awake):
        if end - first >= MINUTE_ROWS or end == len(awake):
            return min(int(time_ns[first]), limit)
    return limit


def _wake_ups(
    current: FloatArray,
    hours: FloatArray,
    time_ns: Int64Array,
    awake: BoolArray,
    level: float,
    begin: int,
) -> tuple[WakeUp, ...]:
    later = np.flatnonzero(awake & (time_ns >= begin))
    if not len(later):
        return ()
    breaks = np.flatnonzero(np.diff(time_ns[later]) > 60 * SECOND_NS)
    groups = [group for group in np.split(later, breaks + 1) if group[-1] < len(time_ns) - 1]  # not the next drive
    return tuple(
        WakeUp(
            int(time_ns[group[0]]),
            int(time_ns[group[-1]]) + SECOND_NS,
            float((level - current[group]) @ hours[group]),
        )
        for group in groups
    )


def quiescent_figure(draws: Sequence[Draw], offset: Figure) -> Figure:
    """Mean draw asleep over all rests [mA], the sensor's offset taken off as far as it is known.

    offset: what the sensor adds to the current [A]; its band is most of the answer's.
    """
    slept = [draw for draw in draws if math.isfinite(draw.asleep_ma) and draw.asleep_h >= 0.1]
    hours = np.array([draw.asleep_h for draw in slept])
    if hours.sum() < SLEEPING_H:
        return unknown_figure(
            Text(
                "Only {h:.1f} h asleep with current were recorded; {need:.0f} h are needed for the quiescent draw.",
                {"h": float(hours.sum()), "need": SLEEPING_H},
            )
        )
    level = np.array([draw.asleep_ma for draw in slept])
    mean = float(level @ hours / hours.sum())
    spread = math.sqrt(float(((level - mean) ** 2) @ hours / hours.sum()) / len(slept)) if len(slept) > 1 else 2.0
    sd = math.hypot(max(spread, 1.0), 1e3 * (offset.high - offset.low) / 3.92)
    return _drawn(NormalDist(mean - 1e3 * offset.value, sd))


def _drawn(told: NormalDist) -> Figure:
    """A draw [mA] of which it is known that it draws: median and 95 % of what lies below zero.

    Where less than a fortieth lies there, something charges the parked vehicle, and the figure stays as it was told.
    """
    below = told.cdf(0.0)
    share = below if below > CHARGED_PARKED else 1.0
    low, value, high = (told.inv_cdf(share * quantile) for quantile in (0.025, 0.5, 0.975))
    return Figure(value, low, high)


def mean_parked(draws: Sequence[Draw], asleep: Figure) -> Figure:
    """Mean draw of the parked vehicle [mA]: that asleep, and what waking adds.

    What somebody left on is not counted. It stays in the list of wake-ups.
    """
    hours = sum(draw.covered_h for draw in draws if draw.asleep_h > 0)
    if not asleep.is_known or hours <= 0:
        return asleep
    waking = -1e3 * sum(wake.charge_ah for draw in draws for wake in draw.wake_ups if not wake.left_on) / hours
    return Figure(asleep.value + waking, asleep.low + 1.5 * waking, asleep.high + 0.5 * waking)


def days_until(limit_soc: float, soc: Figure, capacity_ah: Figure, mean_ma: Figure) -> Figure:
    """Days parked until the charge falls to a limit [d], with the recording's mean draw and self-discharge.

    Beyond a year the answer is a year. Unknown where the charge, the draw or its sign is.
    """
    if not (soc.is_known and mean_ma.is_known and capacity_ah.is_known):
        return unknown_figure(Text("Charge or quiescent draw is unknown, so the days cannot be told."))
    random = np.random.default_rng(1).standard_normal((4, 2000))
    level = soc.value + (soc.high - soc.low) / 3.92 * random[0]
    draw = np.maximum(-mean_ma.value - (mean_ma.high - mean_ma.low) / 3.92 * random[1], 1.0)
    capacity = np.maximum(capacity_ah.value + (capacity_ah.high - capacity_ah.low) / 3.92 * random[2], 5.0)
    own = np.maximum(SELF_DISCHARGE[0] + SELF_DISCHARGE[1] * random[3], 0.02)
    days = np.clip((level - limit_soc) / (draw * 2.4 / capacity + own), 0.0, 365.0)
    low, value, high = (float(x) for x in np.quantile(days, (0.025, 0.5, 0.975)))
    return Figure(value, low, high)
