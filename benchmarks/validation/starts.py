"""Starts and the parked vehicle's draw held against the truth: errors and bands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.validation.sensor import START_NS
from benchmarks.validation.truth import ASLEEP, CRANKING, Truth
from decoder.frames import BoolArray, FloatArray
from decoder.recording import Recording
from estimator.cranks import find_cranks
from estimator.estimate import BatteryEstimate, Figure
from estimator.next_crank import predictions_one_ahead
from estimator.ocv import curve_of

SEEN_BEFORE = 2  # starts by key before the first that is foretold
WAKE_A = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Foretold:
    """Errors of starts by key, (n,): foretold minus true lowest voltage [V]; inside, half: of the band."""

    errors: FloatArray
    inside: BoolArray
    half: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class StartErrors:
    """in_advance: from all cranks before. current_known: with the largest current as the sensor read it.

    as_last: the lowest voltage of the start by key before, minus the true one [V]. draw_ma: what is drawn asleep.
    draw: as told [mA].
    """

    in_advance: Foretold
    current_known: Foretold
    as_last: FloatArray
    draw_ma: float
    draw: Figure

    @property
    def draw_held(self) -> bool:
        return self.draw.low <= self.draw_ma <= self.draw.high


def start_errors(truth: Truth, estimate: BatteryEstimate, *, own_curve: bool) -> StartErrors:
    """Hold one estimate against its truth. The charge at each start is the whole recording's estimate."""
    curve = curve_of(truth.battery(own_curve=own_curve))
    firsts = [start for start in estimate.starts if start.kind == "first"]
    begins = np.array([truth.time_s[rows.start] for rows in true_cranks(truth)])
    lowest = np.array([truth.voltage[rows].min() for rows in true_cranks(truth)])
    at = [int(np.argmin(np.abs(begins - (start.start_ns - START_NS) / 1e9))) for start in firsts]
    true = lowest[at][SEEN_BEFORE:]

    def foretold(*, current_known: bool) -> Foretold:
        told = predictions_one_ahead(estimate.starts, curve, kind="first", current_known=current_known)
        told = told[len(told) - len(true) :]
        low, value, high = (np.array([getattr(one, name) for one in told]) for name in ("low", "value", "high"))
        return Foretold(value - true, (low <= true) & (true <= high), 0.5 * (high - low))

    return StartErrors(
        in_advance=foretold(current_known=False),
        current_known=foretold(current_known=True),
        as_last=np.array([start.min_v for start in firsts[SEEN_BEFORE - 1 : -1]]) - true,
        draw_ma=_true_draw(truth),
        draw=estimate.quiescent_ma,
    )


def _true_draw(truth: Truth) -> float:
    """Mean current asleep, without the wake-ups [mA]."""
    asleep = (truth.phase == ASLEEP) & (truth.current > -WAKE_A)
    return 1e3 * float(np.average(truth.current[asleep], weights=np.diff(truth.time_s, prepend=0.0)[asleep]))


def true_cranks(truth: Truth) -> list[slice]:
    """Rows of each crank."""
    edges = np.flatnonzero(np.diff((truth.phase == CRANKING).astype(np.int8), prepend=0, append=0))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def resistance_errors(truth: Truth, recording: Recording) -> FloatArray:
    """Relative error of each resolved crank's resistance against the truth's own plateau, from 0.15 s on."""
    errors = []
    true = true_cranks(truth)
    starts = np.array([truth.time_s[rows.start] for rows in true])
    for crank in find_cranks(recording):
        at = (crank.start_ns - START_NS) / 1e9
        number = int(np.argmin(np.abs(starts - at)))
        if not crank.resolved or abs(starts[number] - at) > 0.2:
            continue
        rows = true[number]
        before_a, before_v = truth.current[rows.start - 1], truth.voltage[rows.start - 1]
        step_a, step_v = truth.current[rows] - before_a, truth.voltage[rows] - before_v
        late = slice(15, None)  # past the inrush
        if len(step_a) > 18:
            ohm = float(step_v[late] @ step_a[late] / (step_a[late] @ step_a[late]))
            errors.append(crank.resistance / ohm - 1.0)
    return np.array(errors)
