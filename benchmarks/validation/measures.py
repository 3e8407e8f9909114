"""The estimate held against the truth: errors, bands, capacity, resistance, the next crank."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.validation.sensor import START_NS, SensorErrors, observe
from benchmarks.validation.truth import CRANKING, Truth, long_rests
from decoder.frames import BoolArray, FloatArray
from decoder.recording import Recording
from estimator.battery import estimate_battery
from estimator.cranks import find_cranks
from estimator.estimate import BatteryEstimate, Figure
from estimator.next_crank import predictions_one_ahead
from estimator.ocv import curve_of

LONG_REST_H = 4.0
EVERY_S = 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One truth with one set of sensor errors. Errors are estimate minus truth.

    soc_error: (n,) after the first long rest [points], every 20 s. inside: (n,) is the truth in the band there.
    half: (n,) half the band's width [points]. early_inside: the same of a recording that ends before that rest.
    early_half, early_error: its half widths and errors. capacity: as told [Ah].
    acid_capacity: what the acid would give [Ah]. fade: what the estimate says of hidden fade. pooled: resistance at 25
    degC and full [mOhm]. resistance_errors: of each resolved crank as measured, relative, against the truth from
    0.15 s on.
    next_errors, last_errors: of the lowest voltage of starts by key, foretold from those before, and taken as that of
    the start before [V]. next_inside: in the band. at_full: charge that voltage claims after a full charge [%].
    """

    soc_error: FloatArray
    inside: BoolArray
    half: FloatArray
    early_inside: BoolArray
    early_half: FloatArray
    early_error: FloatArray
    capacity: Figure
    acid_capacity: Figure
    fade: str
    resistance_errors: FloatArray
    pooled: Figure
    next_errors: FloatArray
    last_errors: FloatArray
    next_inside: BoolArray
    at_full: Figure


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A truth as one sensor saw it. early: the recording that ends before any rest was long; None if it cannot."""

    truth: Truth
    errors: SensorErrors
    recording: Recording
    early: Recording | None


def see(truth: Truth, errors: SensorErrors) -> Seen:
    """Put the sensor's errors on a truth."""
    rests = long_rests(truth, LONG_REST_H)
    cut_s = rests[0][0] + 3600.0 if rests else None  # an hour into the first long rest
    return Seen(truth, errors, observe(truth, errors), None if cut_s is None else observe(truth, errors, cut_s))


def run(seen: Seen, *, own_curve: bool = True) -> Run:
    """Estimate and compare; with the battery's own curve, or the type's."""
    truth = seen.truth
    battery = truth.battery(own_curve=own_curve)
    estimate = estimate_battery(seen.recording, battery)
    rests = long_rests(truth, LONG_REST_H)
    late = _against(truth, estimate, (rests[0][0] if rests else 0.0) + LONG_REST_H * 3600.0)
    early = (np.zeros(0), np.zeros(0, dtype=bool), np.zeros(0))
    if seen.early is not None:
        early = _against(truth, estimate_battery(seen.early, battery), 0.0)
    foretold = _next_cranks(truth, estimate, own_curve=own_curve)
    judged = estimate.sensor
    return Run(
        soc_error=late[0],
        inside=late[1],
        half=late[2],
        early_error=early[0],
        early_inside=early[1],
        early_half=early[2],
        capacity=estimate.capacity_ah,
        acid_capacity=estimate.fade.acid_capacity_ah if estimate.fade else estimate.capacity_ah,
        fade=estimate.fade.state if estimate.fade else "",
        resistance_errors=_resistances(truth, seen.recording),
        pooled=estimate.resistance_mohm,
        next_errors=foretold[0],
        last_errors=foretold[1],
        next_inside=foretold[2],
        at_full=judged.ocv_at_full_soc if judged else estimate.capacity_ah,
    )


def _against(truth: Truth, estimate: BatteryEstimate, from_s: float) -> tuple[FloatArray, BoolArray, FloatArray]:
    """Error, inside, half width every 20 s from an instant on."""
    rows_s = (estimate.time_ns - START_NS) / 1e9 + 1.0
    at = np.arange(max(from_s, rows_s[0]), rows_s[-1], EVERY_S)
    true = np.interp(at, truth.time_s, truth.soc)
    soc, low, high = (np.interp(at, rows_s, one) for one in (estimate.soc, estimate.soc_low, estimate.soc_high))
    return soc - true, (low - 0.01 <= true) & (true <= high + 0.01), 0.5 * (high - low)


def _true_cranks(truth: Truth) -> list[slice]:
    edges = np.flatnonzero(np.diff((truth.phase == CRANKING).astype(np.int8), prepend=0, append=0))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _resistances(truth: Truth, recording: Recording) -> FloatArray:
    """Relative error of each resolved crank's resistance against the truth's own plateau, from 0.15 s on."""
    errors = []
    true = _true_cranks(truth)
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


def _next_cranks(
    truth: Truth, estimate: BatteryEstimate, *, own_curve: bool
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Foretold minus true lowest voltage, the same of "as last time", and whether the band held; starts by key only.

    The charge at each start is the whole recording's estimate; three starts are seen before the first prediction.
    """
    firsts = [start for start in estimate.starts if start.kind == "first"]
    foretold = predictions_one_ahead(firsts, curve_of(truth.battery(own_curve=own_curve)))[2:]
    true = _true_cranks(truth)
    starts = np.array([truth.time_s[rows.start] for rows in true])
    next_errors, last_errors, inside = [], [], []
    for before, start, said in zip(firsts[2:], firsts[3:], foretold, strict=False):
        rows = true[int(np.argmin(np.abs(starts - (start.start_ns - START_NS) / 1e9)))]
        lowest = float(truth.voltage[rows].min())
        next_errors.append(said.value - lowest)
        last_errors.append(before.min_v - lowest)
        inside.append(said.low <= lowest <= said.high)
    return np.array(next_errors), np.array(last_errors), np.array(inside, dtype=bool)
