"""Fade that open-circuit voltage does not show by itself.

Voltage tells of the acid. Two things come between the acid and the charge that the battery can give: acid bound in
sulphate, so that "full" reads low, and plates lost while their acid stays, so that the battery is empty with acid left.
The first is seen after a full charge, the second only where the voltage gives way early. `Usable` is what lies between.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from decoder.frames import FloatArray, Int64Array
from estimator.anchors import TAIL_A_PER_AH, FullCharge
from estimator.charge import Charge
from estimator.estimate import Fade, Figure
from estimator.grid import SECOND_NS, Grid, runs_of
from estimator.measurement import GAIN_SD, SHARED, Anchor
from estimator.motion import PER_AH, seconds_from
from estimator.ocv import OcvCurve
from estimator.phases import AWAKE, PARKED
from signal_defs.text import Text

LOW_AT_FULL = 92.0  # what the voltage of a healthy full battery says at least, its band included
NOT_READABLE = 40.0  # lower at full it is no fade any more: a cell is gone, or another battery type fitted
COLD_C = 5.0  # below, a charge dies away although the battery is not full
COLLAPSE_V, BEFORE_V = 10.8, 11.4  # six cells with a small load: given way, and still well
COLLAPSE_ROWS = 30
KNEE_NS = 3 * 3600 * SECOND_NS  # from well to given way
SMALL_LOAD = 0.2  # of the rated capacity, in amperes per ampere-hour
EARLY = 10.0  # charge by the acid from which on a collapse is an early one [points]
COLD_PER_K = 0.65  # capacity that cold takes for the time being: 16 % at 0 degC (training text on batteries)
FULL_SD, EMPTY_SD = 1.5, 2.0  # how exactly the ends are known beyond the charge itself, where seen [points]. Ours
UNSEEN_EMPTY_SD = 4.0  # the lower end with the upper one seen only
HALF_LOST = 50.0  # with more of the plates or of the acid gone a start would show it. Ours
WORN_RESISTANCE, WORN_HEALTH = 1.5, 80.0  # common practice: replace
PROVED = 0.9  # share of the capacity drawn, from which on hidden fade is excluded


@dataclass(frozen=True, slots=True)
class Usable:
    """The part of the acid's charge that the battery can give: full and empty on the acid's scale [%]."""

    full: float = 100.0
    empty: float = 0.0

    @property
    def is_whole(self) -> bool:
        return self.full == 100.0 and self.empty == 0.0

    @property
    def share(self) -> float:
        return (self.full - self.empty) / 100.0

    @property
    def _empty_sd(self) -> float:
        return EMPTY_SD if self.empty else UNSEEN_EMPTY_SD

    def charge(self, by_acid: FloatArray) -> FloatArray:
        """(n,) charge in % of what the battery can give, from that of its acid."""
        return np.asarray((by_acid - self.empty) / self.share)

    def spread(self, charge: FloatArray, sd: FloatArray) -> FloatArray:
        """(n,) standard deviation of such a charge [%], its ends' uncertainty in it. sd: (n,) of the acid's charge."""
        part = np.clip(charge, 0.0, 100.0) / 100.0
        ends = 0.0 if self.is_whole else np.hypot(part * FULL_SD, (1.0 - part) * self._empty_sd)
        return np.asarray(np.hypot(sd, ends) / self.share)

    def figure(self, by_acid: Figure) -> Figure:
        """One charge and its band [%]."""
        if self.is_whole or not by_acid.is_known:
            return by_acid
        value, low, high = np.clip(self.charge(np.array([by_acid.value, by_acid.low, by_acid.high])), 0.0, 100.0)
        return Figure(float(value), float(low), float(high))

    def capacity(self, by_acid: Figure) -> Figure:
        """The capacity from that of the acid [Ah]."""
        if self.is_whole or not by_acid.is_known:
            return by_acid
        ends = 1.96 * float(np.hypot(FULL_SD, self._empty_sd)) / (100.0 * self.share)
        down, up = (by_acid.value - by_acid.low) / by_acid.value, (by_acid.high - by_acid.value) / by_acid.value
        value = by_acid.value * self.share
        low, high = value * (1.0 - float(np.hypot(down, ends))), value * (1.0 + float(np.hypot(up, ends)))
        return Figure(value, low, high)

    def curve(self, curve: OcvCurve) -> OcvCurve:
        """Open-circuit voltage over the charge that the battery can give."""
        return curve if self.is_whole else replace(curve, soc=self.charge(curve.soc))


def find_collapse(grid: Grid, kind: Int64Array, capacity_nominal: float) -> tuple[int, int] | None:
    """Rows from which on the voltage has given way under a small load while parked, and at which charging begins.

    kind: (n,) phase of each row. A battery that has no voltage to lose, one with a dead cell, is none of these: within
    three hours before, the same stretch must have shown a sound voltage under load.
    """
    with np.errstate(invalid="ignore"):
        off = ((kind == PARKED) | (kind == AWAKE)) & (np.abs(grid.current) < SMALL_LOAD * capacity_nominal)
        low = off & (grid.voltage < COLLAPSE_V)
        well = np.flatnonzero(off & (grid.voltage > BEFORE_V) & (grid.current < -0.01 * capacity_nominal))
        charging = np.flatnonzero(~off & (grid.current > 0.0))
    for first, last in runs_of(low):
        before = well[np.searchsorted(well, first) - 1] if len(well) and well[0] < first else None
        long = grid.time_ns[last - 1] - grid.time_ns[first] >= COLLAPSE_ROWS * SECOND_NS
        if long and before is not None and grid.time_ns[first] - grid.time_ns[before] < KNEE_NS:
            later = charging[np.searchsorted(charging, first) :]
            return first, int(later[0]) if len(later) else len(grid) - 1
    return None


def before_collapse(anchors: Sequence[Anchor], grid: Grid, collapse: tuple[int, int]) -> list[Anchor]:
    """The anchors less those read while the voltage had given way: they tell of the plates, not of the acid."""
    first, last = (seconds_from(grid, int(grid.time_ns[row])) for row in collapse)
    return [anchor for anchor in anchors if anchor.time_s[-1] < first or anchor.time_s[0] > last]


def empty_at(charge: Charge, grid: Grid, row: int) -> float:
    """Charge by the acid at which the battery is empty [%], from where its voltage gave way; 0 if that was no early."""
    left = float(charge.soc[row]) - _held_by_cold(grid, row)
    return left if left - 1.96 * float(charge.sd[row]) > EARLY else 0.0


def empty_anchor(grid: Grid, row: int) -> Anchor:
    """Where the voltage gave way, and not early, the battery was empty, whatever the curve says."""
    cold = _held_by_cold(grid, row)
    time_s = np.array([seconds_from(grid, int(grid.time_ns[row])) + 1.0])
    return Anchor(time_s, np.array([cold]), np.array([[EMPTY_SD**2 + (0.5 * cold) ** 2]]), np.zeros((1, SHARED)))


def _held_by_cold(grid: Grid, row: int) -> float:
    """Charge that a cold battery keeps for the time being [points]."""
    return COLD_PER_K * max(25.0 - float(grid.known_temperature()[row]), 0.0)


def capacity_to_collapse(charge: Charge, grid: Grid, usable: Usable, row: int, offset_a: float) -> Figure:
    """The capacity from full to where the voltage gave way [Ah]: what was drawn since the charge was known best.

    Percent per Ah, which few recordings tell well, counts only for what was missing to full by then.
    """
    best = int(np.argmin(charge.sd[: row + 1]))
    drawn = float(grid.charge_ah[best] - grid.charge_ah[row])
    drawn += offset_a * float(grid.covered_s[row] - grid.covered_s[best]) / 3600.0
    per_ah, sd_per_ah = float(charge.mean[PER_AH]), float(np.sqrt(charge.covariance[PER_AH, PER_AH]))
    missing = (usable.full - float(charge.soc[best])) / per_ah
    value = drawn + missing
    errors = (GAIN_SD * drawn, float(charge.sd[best]) / per_ah, missing * sd_per_ah / per_ah, EMPTY_SD / 100.0 * value)
    half = 1.96 * math.hypot(*errors)
    return Figure(value, value - half, value + half)


def full_at(
    charge: Charge,
    at_full: Figure,
    fulls: Sequence[FullCharge],
    grid: Grid,
    offset_a: float,
    capacity_nominal: float,
) -> float:
    """Charge by the acid at which the battery is full [%]: 100, less where sure full charges read low.

    Sure is a charge that died away, the sensor's offset off, in a battery that is not cold.
    """
    if not _reads_low(at_full) or at_full.value < NOT_READABLE:
        return 100.0
    rows = np.searchsorted(grid.time_ns, [full.end_ns for full in fulls]).clip(0, len(grid) - 1)
    warm = (grid.known_temperature()[rows] > COLD_C).all()
    died = all(full.current - offset_a < TAIL_A_PER_AH * capacity_nominal for full in fulls)
    return min(float(charge.soc[rows].mean()), 100.0) if warm and died else 100.0


def _reads_low(at_full: Figure) -> bool:
    return at_full.is_known and at_full.high < LOW_AT_FULL


def judge_fade(
    usable: Usable, at_full: Figure, lowest: Figure, acid_capacity: Figure, resistance_ratio: float, told_soh: float
) -> Fade:
    """What of fade the recording shows, and what it leaves open.

    lowest: charge of the acid at the recording's lowest [%]; its upper limit must be as low for fade to be
    excluded. resistance_ratio: of the low limit over the rating's; NaN unknown. told_soh: what the sensor itself says
    last [%]; NaN unknown.
    """
    evidence: list[Text] = []
    if _reads_low(at_full):
        evidence.append(Text("Fully charged, its voltage shows only {soc:.0f} % charge.", {"soc": at_full.value}))
    if usable.empty:
        evidence.append(
            Text(
                "Its voltage gave way under a small load while the acid still held {soc:.0f} %.", {"soc": usable.empty}
            )
        )
    if resistance_ratio > WORN_RESISTANCE:
        evidence.append(Text("Its resistance is at least {r:.1f} times a rule of thumb.", {"r": resistance_ratio}))
    if told_soh < WORN_HEALTH:
        evidence.append(Text("The sensor itself reports a state of health of {soh:.0f} %.", {"soh": told_soh}))
    drawn, surely = (
        min(max(usable.full - max(left, usable.empty), 5.0) / 100.0, usable.share)
        for left in (lowest.value, lowest.high)
    )
    state: Literal["seen", "likely", "possible", "excluded"]
    if not usable.is_whole:
        state = "seen"
    elif surely >= PROVED:
        state = "excluded"
    else:
        state = "likely" if evidence else "possible"
    return Fade(state, acid_capacity, acid_capacity.low * drawn, tuple(evidence))


def proved_limit(capacity: Figure, fade: Fade) -> Figure:
    """The capacity with what was drawn as its low limit, unless the recording shows where the battery is empty [Ah]."""
    if not capacity.is_known or fade.state in {"seen", "excluded"}:
        return capacity
    return Figure(capacity.value, min(capacity.low, fade.proved_ah), capacity.high)


def band_if_hidden(low: FloatArray, high: FloatArray, at_full: Figure) -> tuple[FloatArray, FloatArray]:
    """(n,) both edges of the charge's band [%] for a battery with fade that nothing in the recording shows.

    Low as if plates were lost and the battery empty just below its lowest charge, or half of them. High as if acid were
    bound in sulphate and the battery full at the highest charge it surely had, or half of it; a settled rest after a
    full charge (at_full) would have shown that.
    """
    lost = Usable(empty=min(float(np.nanmin(low)), HALF_LOST))
    bound = Usable() if at_full.is_known else Usable(full=max(float(np.nanmax(low)), 100.0 - HALF_LOST))
    return np.clip(lost.charge(low), 0.0, 100.0), np.clip(bound.charge(high), 0.0, 100.0)
