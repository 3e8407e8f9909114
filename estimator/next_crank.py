"""The next crank's lowest voltage, foretold from the cranks before it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from decoder.frames import BoolArray, FloatArray
from estimator.cranking import arrhenius, charge_log_factor, known_temperature, temperature_log_factor
from estimator.estimate import Figure, Start, StartKind, unknown_figure
from estimator.ocv import OcvCurve
from estimator.regression import Fit, fit_with_prior
from signal_defs.text import Text

TYPICAL_A = 500.0  # of an inrush; 500 to 1000 A, from memory
FARTHEST_FALL_V = 20.0  # nonsense in, no overflow out
COOLING_H = 3.0  # an engine's; common practice
SURFACE_H = 1.5  # what a charge leaves on the plates; common practice
TRANSPORT_K = 2000.0  # activation energy over the gas constant of slow polarisation: 14 to 30 kJ/mol
LAG_BELIEF = 4.0  # starts' worth of belief that what one had beyond the fit tells nothing of the next

# Means and standard deviations. Battery: ln drop at 500 A [V], effects of temperature and of charge.
BATTERY = ((math.log(2.0), 1.0, 0.7), (1.0, 0.45, 0.4))
# Engine: a restart, 20 K colder, a cold engine, both together; the cold about doubles what a starter draws.
ENGINE = ((-0.15, 0.15, 0.0, 0.05), (0.2, 0.15, 0.1, 0.1))
CURRENT = ((0.9,), (0.1,))  # the drop grows a little less than the current: charge transfer is logarithmic in it
# Voltage before, less open circuit [V]: at 25 degC and full, in the cold, at low charge, soon after charging.
BOARD = ((-0.15, -0.15, -0.15, 0.03), (0.15, 0.15, 0.15, 0.1))


@dataclass(frozen=True, slots=True, eq=False)
class _Cranks:
    """Cranks as columns, (n,) each. step_a: from before to the largest current [A], NaN where not seen."""

    temperature: FloatArray
    soc: FloatArray
    restart: BoolArray
    parked_h: FloatArray
    step_a: FloatArray

    def of_battery(self) -> FloatArray:
        ones = np.ones(len(self.soc))
        return np.stack((ones, temperature_log_factor(self.temperature), charge_log_factor(self.soc)), axis=1)

    def of_engine(self) -> FloatArray:
        cold = np.where(self.restart, 0.0, -np.expm1(-self.parked_h / COOLING_H))
        below = (25.0 - known_temperature(self.temperature)) / 20.0
        return np.stack((self.restart.astype(float), below, cold, cold * below), axis=1)

    def of_current(self) -> FloatArray:
        return np.log(np.clip(self.step_a, 50.0, 5000.0) / TYPICAL_A)[:, None]

    def of_board(self) -> FloatArray:
        slow = np.expm1(arrhenius(self.temperature, TRANSPORT_K))
        low = np.expm1(1.5 * charge_log_factor(self.soc))
        return np.stack((np.ones(len(self.soc)), slow, low, np.exp(-self.parked_h / SURFACE_H)), axis=1)


def next_crank(
    starts: Sequence[Start],
    curve: OcvCurve,
    temperature: float,
    soc: Figure,
    kind: StartKind = "first",
    parked_h: float = math.inf,
    *,
    step_a: float = math.nan,
) -> Figure:
    """Lowest voltage expected at the next crank [V], at a stated temperature [degC] and charge [%].

    Lowest = voltage before - drop. Both are fitted to all cranks so far, around what is published: the drop over
    temperature, charge and either the current's largest step, if that is given (step_a, [A]), or what the engine asks
    for (restart or first start, cold, how long parked). parked_h: time since the crank before [h].
    The band holds one crank, not the mean. Unknown without a crank whose voltage was seen.
    """
    gaps = np.array(_hours_since(starts))
    lowered = np.array([start.before_v - start.min_v for start in starts])
    with np.errstate(invalid="ignore"):
        seen = np.flatnonzero(lowered > 0.1).tolist()
    if not len(seen) or not soc.is_known:
        return unknown_figure(
            Text("No crank with its voltage was recorded, so the next one's cannot be told.")
            if not len(seen)
            else Text("The charge is unknown, so the next crank's voltage cannot be told.")
        )
    past = _columns([starts[k] for k in seen], gaps[seen])
    coming = _Cranks(*(np.array([x]) for x in (temperature, soc.value, kind == "restart", parked_h, step_a)))
    error = np.array([0.02 if starts[k].resolved else 0.08 for k in seen])
    fall, fall_sd = _drop(past, np.log(lowered[seen]), error, coming)
    before, before_sd = _voltage_before([starts[k] for k in seen], past, curve, soc, coming)
    sd = math.hypot(fall_sd, before_sd)
    return Figure(before - fall, before - fall - 1.96 * sd, before - fall + 1.96 * sd)


def predictions_one_ahead(
    starts: Sequence[Start], curve: OcvCurve, *, kind: StartKind | None = None, current_known: bool = False
) -> tuple[Figure, ...]:
    """For each start but the first, what those before it would have foretold; to be held against its min_v.

    kind: of the starts to be foretold; None for all. current_known: the largest current is taken as given.
    """
    gaps = _hours_since(starts)
    return tuple(
        next_crank(
            starts[:number],
            curve,
            start.temperature_c,
            _around(start.soc),
            start.kind,
            gaps[number],
            step_a=start.before_a - start.peak_a if current_known else math.nan,
        )
        for number, start in enumerate(starts)
        if number and kind in {None, start.kind}
    )


def _columns(starts: Sequence[Start], parked_h: FloatArray) -> _Cranks:
    return _Cranks(
        temperature=np.array([start.temperature_c for start in starts]),
        soc=np.array([start.soc for start in starts]),
        restart=np.array([start.kind == "restart" for start in starts]),
        parked_h=parked_h,
        step_a=np.array([start.before_a - start.peak_a for start in starts]),
    )


def _hours_since(starts: Sequence[Start]) -> list[float]:
    """Hours from the start before to each; the first has none, so infinite."""
    return [math.inf, *((other.start_ns - one.end_ns) / 3.6e12 for one, other in pairwise(starts))][: len(starts)]


def _drop(past: _Cranks, log_drop: FloatArray, error: FloatArray, coming: _Cranks) -> tuple[float, float]:
    """How far the voltage will fall, and the standard deviation of that [V]."""
    known = np.isfinite(past.step_a) & (past.step_a > 0.0)
    if bool(coming.step_a[0] > 0.0) and known.any():
        design, row = (np.hstack((one.of_battery(), one.of_current())) for one in (past, coming))
        fit = _fit(design[known], log_drop[known], error[known], (BATTERY, CURRENT), floor=0.03)
        lag = 0.0
    else:
        design, row = (np.hstack((one.of_battery(), one.of_engine())) for one in (past, coming))
        fit = _fit(design, log_drop, error, (BATTERY, ENGINE), floor=0.05)
        lag = _lag((log_drop - design @ fit.mean)[past.restart == coming.restart[0]], fit.scatter)
    expected, spread = fit.at(row[0])
    fall = math.exp(min(expected + lag, math.log(FARTHEST_FALL_V)))
    return fall, fall * math.hypot(spread, fit.scatter)


def _lag(left: FloatArray, scatter: float) -> float:
    """What is to be expected beyond the fit, from what the starts so far had beyond it.

    Neighbours alike (an engine run in, a battery that ages within the recording) make the last one a guide, as far as
    they are alike: their lag-one correlation, shrunk towards none.
    """
    if len(left) < 2:
        return 0.0
    earlier, later = left[:-1], left[1:]
    alike = float(later @ earlier) / (float(earlier @ earlier) + LAG_BELIEF * scatter**2)
    return min(max(alike, 0.0), 1.0) * float(left[-1])


def _voltage_before(
    starts: Sequence[Start], past: _Cranks, curve: OcvCurve, soc: Figure, coming: _Cranks
) -> tuple[float, float]:
    """Voltage just before the next crank and its standard deviation [V].

    The open-circuit voltage, and what starts of this kind had beside it: the board's draw and the polarisation by it,
    the larger the colder and emptier; soon after a drive the rest of the charging.
    """
    alike = (past.restart == coming.restart[0]) & np.isfinite(past.soc)
    volts = np.array([start.before_v for start in starts])[alike]
    beside = volts - curve.voltage_at(past.soc[alike], known_temperature(past.temperature[alike]))
    fit = _fit(past.of_board()[alike], beside, np.full(len(beside), 0.005), (BOARD,), floor=0.05)
    expected, spread = fit.at(coming.of_board()[0])
    own = (soc.high - soc.low) / 3.92 * float(curve.slope_at(np.array(soc.value)))
    own *= 0.3 if alike.any() else 1.0  # an error of the charge's level is in these starts' differences too
    ocv = float(curve.voltage_at(np.array(soc.value), known_temperature(coming.temperature)[0]))
    return ocv + expected, math.sqrt(spread**2 + fit.scatter**2 + own**2)


def _fit(
    design: FloatArray,
    value: FloatArray,
    error: FloatArray,
    priors: Sequence[tuple[tuple[float, ...], tuple[float, ...]]],
    floor: float,
) -> Fit:
    mean = np.concatenate([np.array(one[0]) for one in priors])
    sd = np.concatenate([np.array(one[1]) for one in priors])
    return fit_with_prior(design, value, error, (mean, sd), floor)


def _around(soc: float) -> Figure:
    return Figure(soc, soc, soc) if math.isfinite(soc) else Figure(80.0, 60.0, 100.0)
