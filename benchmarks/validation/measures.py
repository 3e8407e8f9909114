"""The estimate held against the truth: errors, bands, capacity, resistance, the next crank."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchmarks.validation.sensor import START_NS, SensorErrors, observe
from benchmarks.validation.starts import StartErrors, resistance_errors, start_errors
from benchmarks.validation.truth import Truth, long_rests
from decoder.frames import BoolArray, FloatArray
from decoder.recording import Recording
from estimator.battery import estimate_battery
from estimator.estimate import BatteryEstimate, Figure
from estimator.fade import band_if_hidden

LONG_REST_H = 4.0
EVERY_S = 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One truth with one set of sensor errors. Errors are estimate minus truth.

    soc_error: (n,) after the first long rest [points], every 20 s. inside: (n,) is the truth in the band there.
    inside_if_hidden: (n,) is it, with the band as if fade were hidden, where the recording leaves that open.
    half: (n,) half the band's width [points]. early_inside: the same of a recording that ends before that rest.
    early_half: its half widths. capacity: as told [Ah].
    acid_capacity: what the acid would give [Ah]. fade: what the estimate says of hidden fade. pooled: resistance at 25
    degC and full [mOhm]. resistance_errors: of each resolved crank as measured, relative, against the truth from
    0.15 s on.
    starts: of starts by key and of the draw asleep.
    """

    soc_error: FloatArray
    inside: BoolArray
    inside_if_hidden: BoolArray
    half: FloatArray
    early_inside: BoolArray
    early_half: FloatArray
    capacity: Figure
    acid_capacity: Figure
    fade: str
    resistance_errors: FloatArray
    pooled: Figure
    starts: StartErrors


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
    from_s = (rests[0][0] if rests else 0.0) + LONG_REST_H * 3600.0
    late = _against(truth, estimate, from_s)
    open_to_loss = estimate.fade is not None and estimate.fade.state == "possible"
    if_hidden = estimate
    if open_to_loss and estimate.sensor is not None:
        low, high = band_if_hidden(estimate.soc_low, estimate.soc_high, estimate.sensor.ocv_at_full_soc)
        if_hidden = replace(estimate, soc_low=low, soc_high=high)
    early = (np.zeros(0), np.zeros(0, dtype=bool), np.zeros(0))
    if seen.early is not None:
        early = _against(truth, estimate_battery(seen.early, battery), 0.0)
    return Run(
        soc_error=late[0],
        inside=late[1],
        inside_if_hidden=_against(truth, if_hidden, from_s)[1],
        half=late[2],
        early_inside=early[1],
        early_half=early[2],
        capacity=estimate.capacity_ah,
        acid_capacity=estimate.fade.acid_capacity_ah if estimate.fade else estimate.capacity_ah,
        fade=estimate.fade.state if estimate.fade else "",
        resistance_errors=resistance_errors(truth, seen.recording),
        pooled=estimate.resistance_mohm,
        starts=start_errors(truth, estimate, own_curve=own_curve),
    )


def _against(truth: Truth, estimate: BatteryEstimate, from_s: float) -> tuple[FloatArray, BoolArray, FloatArray]:
    """Error, inside, half width every 20 s from an instant on."""
    rows_s = (estimate.time_ns - START_NS) / 1e9 + 1.0
    at = np.arange(max(from_s, rows_s[0]), rows_s[-1], EVERY_S)
    true = np.interp(at, truth.time_s, truth.soc)
    soc, low, high = (np.interp(at, rows_s, one) for one in (estimate.soc, estimate.soc_low, estimate.soc_high))
    return soc - true, (low - 0.01 <= true) & (true <= high + 0.01), 0.5 * (high - low)
