"""What every rule of findings is given and gives: the facts of one recording, asked once in one place; a finding."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from decoder.recording import Recording, Trace
from estimator.estimate import BatteryEstimate, Drive, PhaseKind, Rest, SensorJudgement, Start
from idle_stop.account import Account, Reason, Standstill
from idle_stop.restarts import warmth
from signal_defs.platform import Platform
from signal_defs.text import Text

Weight = Literal["note", "check", "act"]

LONG_REST_S = 6 * 3600.0  # after this long undisturbed a battery's voltage tells of its charge; published rest times
HIGH_RESISTANCE = 1.5  # times what the rating leads to expect; common practice, no source
SOUND_BAND = 1.2  # ours: a band that reaches further leaves open whether the battery is sound
OFFSET_A = 0.05  # a current sensor this far off its zero: 8.4 Ah a week
CODING = 0.15  # share by which the capacity that the sensor counts with may differ
TYPICAL_OHM_AMPERE = 2.7  # resistance [Ohm] of a sound battery at 25 degC is about 2.7 / CCA [A]; from memory


@dataclass(frozen=True, slots=True)
class Finding:
    """A conclusion. code: stable key; its title, next checks and cautions are worded in `reports.findings`.

    weight: how much it asks for. possible: True where fewer than two independent lines of evidence carry it, or an
    input is unknown. evidence, against: lines for and against it, each a figure with its place.
    """

    code: str
    weight: Weight
    possible: bool
    evidence: tuple[Text, ...]
    against: tuple[Text, ...] = ()


@dataclass(frozen=True)
class Facts:
    """What every rule is given; the properties are worked out when first asked for."""

    recording: Recording
    estimate: BatteryEstimate
    account: Account
    platform: Platform

    def trace(self, role: str) -> Trace | None:
        """The trace of a role with at least one valid sample, else None."""
        trace = self.recording.traces.get(role)
        return trace if trace is not None and bool(trace.valid.any()) else None

    def is_true(self, role: str) -> bool | None:
        """Was the flag true in any valid sample? None where the role was never seen."""
        trace = self.trace(role)
        return None if trace is None else bool((trace.value[trace.valid] > 0).any())

    def is_false(self, role: str) -> bool:
        """Was the flag false in any valid sample? False where the role was never seen."""
        trace = self.trace(role)
        return trace is not None and bool((trace.value[trace.valid] == 0).any())

    def at_end(self, role: str) -> float:
        """The last valid value of a role; NaN where there is none."""
        trace = self.trace(role)
        return math.nan if trace is None else float(trace.value[trace.valid][-1])

    def during(self, trace: Trace, *kinds: PhaseKind) -> BoolArray:
        """Which samples of a trace lie in phases of these kinds and are valid."""
        return self.in_phases(trace.time_ns, *kinds) & trace.valid

    def in_phases(self, at_ns: Int64Array, *kinds: PhaseKind) -> BoolArray:
        """Which instants, rising, lie in phases of these kinds."""
        inside = np.zeros(len(at_ns), dtype=np.bool_)
        for phase in self.estimate.phases:
            if phase.kind in kinds:
                first, last = np.searchsorted(at_ns, [phase.start_ns, phase.end_ns])
                inside[first:last] = True
        return inside

    def middle_during(self, role: str, kind: PhaseKind) -> float:
        """The median of a role over phases of a kind; NaN where it was not seen then."""
        trace = self.trace(role)
        return math.nan if trace is None else middle(trace.value[self.during(trace, kind)])

    def middle_between(self, role: str, start_ns: int, end_ns: int) -> float:
        """The median of a role from one instant to another; NaN where it was not seen then."""
        trace = self.trace(role)
        if trace is None:
            return math.nan
        first, last = np.searchsorted(trace.time_ns, [start_ns, end_ns])
        return middle(trace.value[first:last])

    @cached_property
    def refused(self) -> tuple[Standstill, ...]:
        return self.account.refused

    @cached_property
    def stopped(self) -> tuple[Standstill, ...]:
        return tuple(s for s in self.account.standstills if s.outcome in {"stopped", "cut_short"})

    @cached_property
    def cut_short(self) -> tuple[Standstill, ...]:
        return tuple(standstill for standstill in self.account.standstills if standstill.outcome == "cut_short")

    @cached_property
    def long_rests(self) -> tuple[Rest, ...]:
        """Rests whose end voltage is a point, not a bound."""
        return tuple(rest for rest in self.estimate.rests if rest.settled == "settled")

    @cached_property
    def resolved_starts(self) -> tuple[Start, ...]:
        return tuple(start for start in self.estimate.starts if start.resolved and math.isfinite(start.min_v))

    @cached_property
    def restarts(self) -> tuple[Start, ...]:
        return tuple(start for start in self.estimate.starts if start.kind == "restart")

    @cached_property
    def trips(self) -> tuple[Drive, ...]:
        """Drives, those with less than a minute between them taken as one."""
        joined: list[Drive] = []
        for drive in self.estimate.drives:
            if joined and drive.start_ns - joined[-1].end_ns < 60e9:
                joined[-1] = _joined(joined[-1], drive)
            else:
                joined.append(drive)
        return tuple(joined)

    @cached_property
    def long_trips(self) -> tuple[Drive, ...]:
        """Trips over 20 minutes with current samples nearly throughout."""
        return tuple(trip for trip in self.trips if trip.end_ns - trip.start_ns >= 1200e9 and trip.coverage >= 0.9)

    @cached_property
    def typical_mohm(self) -> float:
        """Resistance to be expected of the battery fitted [mOhm]; NaN without a cold-cranking rating."""
        rating = self.platform.battery.cold_cranking_a
        return 1000.0 * TYPICAL_OHM_AMPERE / rating if rating else math.nan

    @cached_property
    def has_high_resistance(self) -> bool:
        """The battery's resistance is surely over the limit."""
        return self.estimate.resistance_mohm.low > HIGH_RESISTANCE * self.typical_mohm

    @cached_property
    def has_sound_resistance(self) -> bool:
        """The battery's resistance is known and in order: its value below the limit, its band not far above it."""
        resistance = self.estimate.resistance_mohm
        limit = HIGH_RESISTANCE * self.typical_mohm
        return resistance.is_known and resistance.value < limit and resistance.high < SOUND_BAND * limit

    @cached_property
    def is_coded_otherwise(self) -> bool:
        """Another capacity is coded into the sensor than the one fitted."""
        return abs(self.sensor.coded_capacity_percent - 100.0) > 100.0 * CODING

    @cached_property
    def zero_is_off(self) -> bool:
        """The current sensor's zero is surely off."""
        offset = self.estimate.current_offset_a
        return offset.is_known and (offset.low > OFFSET_A or offset.high < -OFFSET_A)

    def failing(self, wanted: Callable[[Reason], bool]) -> tuple[Standstill, ...]:
        """Refused or cut-short standstills in which a wanted reason failed."""
        return tuple(s for s in (*self.refused, *self.cut_short) if any(wanted(reason) for reason in s.reasons))

    def failing_alone(self, wanted: Callable[[Reason], bool]) -> tuple[Standstill, ...]:
        """Those of `failing` in which nothing else failed."""
        return tuple(s for s in self.failing(wanted) if len(s.reasons) == 1)

    @cached_property
    def sensor(self) -> SensorJudgement:
        """The battery sensor as judged; everything unknown where it was not."""
        return self.estimate.sensor or SensorJudgement()

    @cached_property
    def drain_low_ma(self) -> float:
        """The least that is surely drawn while parked and asleep [mA]; 0 where it is not known."""
        quiescent = self.estimate.quiescent_ma
        return max(-quiescent.high, 0.0) if quiescent.is_known else 0.0

    @cached_property
    def warm_starts(self) -> tuple[Start, ...]:
        """Well-sampled starts with a warm engine: restarts, and those with warm coolant."""
        return tuple(s for s in self.resolved_starts if warmth(self.recording, s) == "warm")


def _joined(one: Drive, other: Drive) -> Drive:
    whole = other.end_ns - one.start_ns
    seen = one.coverage * (one.end_ns - one.start_ns) + other.coverage * (other.end_ns - other.start_ns)
    return Drive(
        start_ns=one.start_ns,
        end_ns=other.end_ns,
        charged_ah=one.charged_ah + other.charged_ah,
        discharged_ah=one.discharged_ah + other.discharged_ah,
        max_v=max((v for v in (one.max_v, other.max_v) if math.isfinite(v)), default=math.nan),
        coverage=seen / whole if whole > 0 else 0.0,
        distance_km=one.distance_km + other.distance_km,
    )


def finding(
    code: str,
    weight: Weight,
    evidence: Sequence[Text],
    against: Sequence[Text] = (),
    *,
    capped: bool = False,
    observed: bool = False,
) -> Finding | None:
    """A finding from its lines of evidence; None where there is not one.

    It is "possible" with fewer than two lines, with a line against it, or where the caller caps it;
    a possible finding never asks for more than a check. observed: seen as such, so that one line is enough.
    """
    if not evidence:
        return None
    possible = capped or bool(against) or (len(evidence) < 2 and not observed)
    softened: Weight = "check" if possible and weight == "act" else weight
    return Finding(code, softened, possible, tuple(evidence), tuple(against))


def middle(values: Sequence[float] | FloatArray) -> float:
    """The median of the finite values; NaN if there is none."""
    finite = np.asarray(values, dtype=np.float64)
    finite = finite[np.isfinite(finite)]
    return float(np.median(finite)) if len(finite) else math.nan
