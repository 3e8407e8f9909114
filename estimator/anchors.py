"""Anchors: where the battery itself tells its charge, at rest by its voltage, or at the end of a long charge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from decoder.frames import FloatArray, Int64Array
from estimator.estimate import Figure, Rest, unknown_figure
from estimator.grid import Grid, runs_of
from estimator.measurement import (
    FULL,
    LOAD,
    LOAD_SD,
    RELAXING,
    SHARED,
    SHIFT,
    TILT,
    VOLTAGE_SD,
    WARMTH,
    WARMTH_SD,
    Anchor,
)
from estimator.motion import seconds_from
from estimator.ocv import OcvCurve
from estimator.phases import RUNNING
from estimator.relaxation import SHARED_SIZE_SD_V, RestVoltage
from signal_defs.text import Text

REGULATED_V = 13.9  # at 25 degC; regulators hold 13.8 to 14.8 V there
COMPENSATION = -0.018  # [V/K] at 25 degC, charger-setting tables: -3 mV/K and cell
TAIL_A_PER_AH = 0.012  # what a nearly full battery still takes at regulated voltage; common practice
TAIL_S = 1200.0
FULL_SOC, FULL_SD = 98.0, 1.5
STILL_FULL = 0.05
SOON_NS = 900_000_000_000  # a quarter of an hour


@dataclass(frozen=True, slots=True)
class FullCharge:
    """The end of a charge at regulated voltage whose current has died away."""

    end_ns: int
    current: float


def compensated(volts_at_25: float, temperature: FloatArray) -> FloatArray:
    """(n,) what a regulator set for a voltage at 25 degC holds at other temperatures [V]."""
    return np.asarray(volts_at_25 + COMPENSATION * (np.asarray(temperature) - 25.0))


def rest_anchor(rest: RestVoltage, curve: OcvCurve) -> Anchor:
    """What a rest says of the charge, errors and all; points are correlated through relaxation."""
    soc = curve.soc_at(rest.voltage - rest.expected(), rest.temperature)
    slope = curve.slope_at(np.clip(soc, 0.0, 100.0))
    shared = np.zeros((len(soc), SHARED))
    shared[:, SHIFT] = 1.0
    shared[:, TILT] = (np.clip(soc, 0.0, 105.0) - 75.0) / 50.0
    shared[:, RELAXING:LOAD] = rest.shared / slope[:, None]
    shared[:, LOAD] = rest.load_v / slope
    shared[:, WARMTH] = (rest.temperature - 25.0) / slope
    return Anchor(rest.time_s, soc, rest.covariance() / np.outer(slope, slope), shared)


def soc_of(anchor: Anchor, curve: OcvCurve, to_end: FloatArray) -> Figure:
    """One rest's charge by itself [%], at its end, with the curve's and the sensor's errors.

    to_end: (m,) points of charge moved from each measurement to the end.
    """
    relaxing = anchor.shared[:, RELAXING:LOAD] * SHARED_SIZE_SD_V
    load = LOAD_SD * anchor.shared[:, LOAD]
    covariance = anchor.covariance + relaxing @ relaxing.T + np.outer(load, load)
    last = np.linalg.solve(covariance, np.ones(len(anchor.soc)))
    variance = 1.0 / float(last.sum())
    value = float(last @ (anchor.soc + to_end)) * variance
    slope = float(curve.slope_at(np.array(min(max(value, 0.0), 100.0))))
    tilt = curve.tilt_sd * abs(value - 75.0) / 50.0
    warmth = WARMTH_SD * float(anchor.shared[-1, WARMTH])
    half = 1.96 * float(np.sqrt(variance + curve.shift_sd**2 + tilt**2 + warmth**2 + (VOLTAGE_SD / slope) ** 2))
    value = min(max(value, 0.0), 100.0)
    if not np.isfinite(half):
        return unknown_figure(Text("The voltage of this rest could not be read."))
    return Figure(value, max(value - half, 0.0), min(value + half, 100.0))


def find_full_charges(grid: Grid, kind: Int64Array, capacity_nominal: float) -> tuple[FullCharge, ...]:
    """Each drive's last twenty minutes at regulated voltage with the current died away, if there are such.

    kind: (n,) phase of each row. A sensor's offset matters little: the limit is 0.8 A on 70 Ah.
    """
    limit = compensated(REGULATED_V, grid.known_temperature())
    with np.errstate(invalid="ignore"):
        held = (kind == RUNNING) & (grid.voltage > limit)
        held &= (grid.current < 3.0 * TAIL_A_PER_AH * capacity_nominal) & (grid.current > -1.0)
    found = []
    for start, end in runs_of(held):
        first = int(np.searchsorted(grid.time_ns, grid.time_ns[end - 1] - int(TAIL_S * 1e9)))
        if first < start or end - first < 0.8 * TAIL_S:
            continue
        current = float(np.mean(grid.current[first:end]))
        if current < TAIL_A_PER_AH * capacity_nominal:
            found.append(FullCharge(int(grid.time_ns[end - 1]), current))
    return tuple(found)


def full_anchor(full: FullCharge, grid: Grid) -> Anchor:
    """A charge that has died away says nearly full."""
    time_s = np.array([seconds_from(grid, full.end_ns) + 1.0])
    shared = np.zeros((1, SHARED))
    shared[0, FULL] = 1.0
    return Anchor(time_s, np.array([FULL_SOC]), np.array([[FULL_SD**2]]), shared)


def ocv_at_full(fulls: Sequence[FullCharge], rests: Sequence[Rest], capacity_nominal: float) -> Figure:
    """Charge that the voltage claims in settled rests after a full charge [%]; low where acid was lost to sulphate.

    A rest in which more than 5 % of the capacity was drawn tells of that, not of full, and is left out.
    """
    after = [
        rest.soc_from_ocv
        for rest in rests
        if rest.settled == "settled"
        and _drawn_ah(rest) < STILL_FULL * capacity_nominal
        and any(0 <= rest.start_ns - full.end_ns <= SOON_NS for full in fulls)
    ]
    if not after:
        return unknown_figure(Text("No settled rest followed a full charge."))
    value, low, high = (float(np.mean([getattr(f, name) for f in after])) for name in ("value", "low", "high"))
    return Figure(value, low, high)


def _drawn_ah(rest: Rest) -> float:
    """Charge drawn in a rest [Ah], by its mean current."""
    return -1e-3 * rest.mean_ma * (rest.end_ns - rest.start_ns) / 3.6e12
