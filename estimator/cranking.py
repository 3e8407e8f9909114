"""Resistance and the next crank: what the recording's cranks say together, at one temperature and charge."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from decoder.frames import FloatArray, Int64Array
from estimator.cranks import Crank
from estimator.estimate import Figure, Start, StartKind, unknown_figure
from estimator.grid import ASSUMED_TEMPERATURE_C, SECOND_NS, Grid
from estimator.ocv import OcvCurve
from estimator.phases import IDLE_STOP
from signal_defs.platform import Battery
from signal_defs.text import Text

LEARNED_SPAN = 0.15  # of a logarithmic factor
WIDEST = 3.0  # of a band in the logarithm: twenty-fold either way says nothing already
FARTHEST_FALL_V = 20.0  # nonsense in, no overflow out
LAST_SD, LAST_SD_PER_STEP = 0.2, 0.1  # [V], [V per K or point]: of the last start as a guide; found on our truths
NOT_YET = Text("The resistance of this crank was not worked out.")
COMMON_SD = 0.05  # shared by all cranks: the sensor's gain; a plateau depends on the crank's length and size


def temperature_log_factor(temperature: FloatArray) -> FloatArray:
    """Natural logarithm of resistance over that at 25 degC.

    1 % a kelvin near 20 degC, 1.9-fold at -18 degC (published range 1.6 to 2.2). From memory.
    """
    below = 25.0 - np.asarray(temperature)
    return np.asarray(0.010 * below + 1.2e-4 * below * np.abs(below))


def charge_log_factor(soc: FloatArray) -> FloatArray:
    """Natural logarithm of resistance over that of a full battery; 0 above 70 %, +10 % at 50 %, +65 % at 20 %.

    Low charge adds 30 to 100 % below half, from memory.
    """
    return np.asarray(np.log1p(2.6e-4 * np.maximum(70.0 - np.asarray(soc), 0.0) ** 2))


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A straight-line fit with priors. mean: (k,). covariance: (k, k). scatter: deviation of one more point."""

    mean: FloatArray
    covariance: FloatArray
    scatter: float

    def at(self, row: FloatArray) -> tuple[float, float]:
        """Expected value for one row of regressors, and its standard deviation without the scatter."""
        return float(row @ self.mean), float(np.sqrt(row @ self.covariance @ row))


def fit_with_prior(
    design: FloatArray, value: FloatArray, sd: FloatArray, prior: tuple[FloatArray, FloatArray], floor: float
) -> Fit:
    """Least squares with Gaussian priors on the coefficients, outliers held back (Huber at two deviations).

    design: (n, k). value, sd: (n,). prior: means and standard deviations, (k,) each. floor: scatter beyond sd that is
    expected before any data; the data then tell, as six points' worth of belief against n.
    """
    prior_mean, prior_sd = prior
    scatter = floor
    weight = np.ones(len(value))
    mean: FloatArray = prior_mean
    covariance: FloatArray = np.diag(prior_sd**2)
    for _ in range(8):
        inverse = weight / (sd**2 + scatter**2)
        precision = np.diag(1.0 / prior_sd**2) + (design.T * inverse) @ design
        covariance = np.asarray(np.linalg.inv(precision), dtype=np.float64)
        mean = covariance @ (prior_mean / prior_sd**2 + (design.T * inverse) @ value)
        error = value - design @ mean
        size = np.abs(error) / np.sqrt(sd**2 + scatter**2)
        weight = np.minimum(1.0, 2.0 / np.maximum(size, 1e-9))
        excess = float((weight * np.maximum(error**2 - sd**2, 0.0)).sum())
        scatter = math.sqrt((6.0 * floor**2 + excess) / (6.0 + len(value)))
    return Fit(mean, covariance, scatter)


def rated_resistance(battery: Battery) -> float:
    """What a new battery shows at a crank [Ohm]: 2.7 V over the cold-cranking current, or 0.3 Ohm Ah.

    From memory: 60-70 Ah flooded 4-6 mOhm, AGM 70-95 Ah 2.5-4 mOhm at 25 degC and full.
    """
    if battery.cold_cranking_a:
        return 2.7 / battery.cold_cranking_a
    return 0.3 / battery.capacity_nominal


def starts_of(grid: Grid, kind: Int64Array, cranks: Sequence[Crank], soc: FloatArray) -> tuple[Start, ...]:
    """Each crank as a start, with the charge and temperature it began at; resistances are filled in later.

    kind: (n,) phase of each row; a crank that ends an idle-stop is a restart, any other a first start.
    """
    starts = []
    for crank in cranks:
        before = max(int(np.searchsorted(grid.time_ns, crank.start_ns - SECOND_NS)) - 1, 0)
        row = min(int(np.searchsorted(grid.time_ns, crank.start_ns)), len(grid) - 1)
        starts.append(
            Start(
                start_ns=crank.start_ns,
                end_ns=crank.end_ns,
                kind="restart" if IDLE_STOP in kind[before : row + 1] else "first",
                min_v=crank.min_v,
                peak_a=crank.peak_a,
                crank_s=crank.crank_s,
                to_idle_s=crank.to_idle_s,
                resistance_mohm=unknown_figure(NOT_YET),
                temperature_c=float(grid.temperature[row]),
                soc=float(soc[row]),
                before_v=crank.before_v,
                board_min_v=crank.board_min_v,
                method=crank.method,
                resolved=crank.resolved,
            )
        )
    return tuple(starts)


def pooled_resistance(starts: Sequence[Start], cranks: Sequence[Crank], rating: float) -> tuple[Figure, Fit | None]:
    """Resistance at 25 degC and full [mOhm] from all cranks measured, and the fit behind it (logarithm of Ohm).

    rating: what a new battery would have [Ohm]; only a very wide prior. Temperature and charge effects are fitted
    around the published ones where the recording spans enough.
    """
    used = [k for k, crank in enumerate(cranks) if crank.resistance > 0]
    if not used:
        return unknown_figure(
            Text("No crank was sampled finely enough for a resistance: 20 samples a second of voltage and current.")
        ), None
    design = _level_where_narrow(np.array([_regressors(starts[k].temperature_c, starts[k].soc) for k in used]))
    ohm = np.array([cranks[k].resistance for k in used])
    sd = np.array([cranks[k].resistance_sd for k in used]) / ohm
    prior = (np.array([math.log(rating), 1.0, 1.0]), np.array([1.0, 0.4, 0.5]))
    fit = fit_with_prior(design, np.log(ohm), sd, prior, floor=0.02)
    middle, spread = fit.at(np.array([1.0, 0.0, 0.0]))
    half = min(1.96 * math.hypot(spread, COMMON_SD), WIDEST)
    value = 1e3 * math.exp(middle)
    return Figure(value, value * math.exp(-half), value * math.exp(half)), fit


def _level_where_narrow(design: FloatArray) -> FloatArray:
    """Regressors that span too little to be learned (some 12 K, or little below 70 % charge) made constant.

    Otherwise any small habit of the recording's cranks would be read as an effect of temperature and carried far.
    """
    narrow = np.ptp(design, axis=0) < LEARNED_SPAN
    return np.where(narrow, design.mean(axis=0), design)


def normalised(crank: Crank, start: Start, fit: Fit | None) -> Figure:
    """One crank's resistance at 25 degC and full [mOhm]."""
    if fit is None or not crank.resistance > 0:
        return unknown_figure(
            Text(
                "The crank was sampled too slowly for a resistance; its lowest voltage was at most {v:.2f} V.",
                {"v": crank.min_v},
            )
            if math.isfinite(crank.min_v)
            else Text("No voltage was sampled during the crank.")
        )
    row = _regressors(start.temperature_c, start.soc)
    row[0] = 0.0
    shift, spread = fit.at(row)
    half = min(1.96 * math.sqrt((crank.resistance_sd / crank.resistance) ** 2 + spread**2 + COMMON_SD**2), WIDEST)
    value = 1e3 * crank.resistance * math.exp(-shift)
    return Figure(value, value * math.exp(-half), value * math.exp(half))


def next_crank(
    starts: Sequence[Start],
    curve: OcvCurve,
    temperature: float,
    soc: Figure,
    kind: StartKind = "first",
    parked_h: float = math.inf,
) -> Figure:
    """Lowest voltage expected at the next crank [V], at a stated temperature [degC] and charge [%].

    The drop (before minus lowest) of the recording's cranks is fitted over temperature, charge, kind of start and how
    cold the engine has become, around what is published; the voltage before is the open-circuit voltage less what these
    cranks had less. parked_h: time since the start before [h]; a long one means an engine as cold as the battery.
    The band holds one crank, not the mean. Unknown without a crank whose voltage was seen.
    """
    gaps = _hours_since(starts)
    seen = [k for k, s in enumerate(starts) if math.isfinite(s.before_v) and s.before_v - s.min_v > 0.1]
    if not seen or not soc.is_known:
        return unknown_figure(
            Text("No crank with its voltage was recorded, so the next one's cannot be told.")
            if not seen
            else Text("The charge is unknown, so the next crank's voltage cannot be told.")
        )
    drop = np.log([starts[k].before_v - starts[k].min_v for k in seen])
    design = np.array([_drop_row(starts[k].temperature_c, starts[k].soc, starts[k].kind, gaps[k]) for k in seen])
    error = np.array([0.02 if starts[k].resolved else 0.08 for k in seen])
    # A fresh battery's drop; R and 30 % more for the current; charge; restarts; a cold engine, the colder the more.
    prior = (np.array([math.log(2.0), 1.3, 1.0, -0.1, 0.05, 0.05]), np.array([1.0, 0.4, 0.5, 0.2, 0.1, 0.1]))
    fit = fit_with_prior(design, drop, error, prior, floor=0.05)
    expected, spread = fit.at(_drop_row(temperature, soc.value, kind, parked_h))
    before, before_sd = _voltage_before([starts[k] for k in seen], curve, temperature, soc, kind)
    fall = math.exp(min(expected, math.log(FARTHEST_FALL_V)))
    sd = math.hypot(fall * math.hypot(spread, fit.scatter), before_sd)
    last = next((start for start in reversed(starts) if start.kind == kind and start.resolved), None)
    lowest = before - fall if last is None else _towards_last(before - fall, sd, last, temperature, soc.value)
    return Figure(lowest, lowest - 1.96 * sd, lowest + 1.96 * sd)


def _towards_last(lowest: float, sd: float, last: Start, temperature: float, soc: float) -> float:
    """The expected lowest voltage [V], drawn towards the last start's by how well that is known and how alike it was.

    sd: of the expectation [V]. With few starts, or all alike, "as last time" is the better guide. The band stays.
    """
    charge = last.soc if math.isfinite(last.soc) else soc
    apart = math.hypot(_known(temperature) - _known(last.temperature_c), soc - charge)
    share = sd**2 / (sd**2 + LAST_SD**2 + (LAST_SD_PER_STEP * apart) ** 2)
    return lowest + share * (last.min_v - lowest) if math.isfinite(last.min_v) else lowest


def predictions_one_ahead(starts: Sequence[Start], curve: OcvCurve) -> tuple[Figure, ...]:
    """For each start but the first, what those before it would have foretold; to be held against its min_v."""
    gaps = _hours_since(starts)
    return tuple(
        next_crank(starts[:number], curve, start.temperature_c, _around(start.soc), start.kind, gaps[number])
        for number, start in enumerate(starts)
        if number
    )


def _hours_since(starts: Sequence[Start]) -> list[float]:
    """Hours from the start before to each; the first has none, so infinite."""
    return [math.inf, *((other.start_ns - one.end_ns) / 3.6e12 for one, other in pairwise(starts))][: len(starts)]


def _drop_row(temperature: float, soc: float, kind: StartKind, parked_h: float) -> FloatArray:
    """Regressors of a drop's logarithm."""
    cold = 0.0 if kind == "restart" else -math.expm1(-parked_h / 3.0)
    below = (25.0 - _known(temperature)) / 20.0
    return np.array([*_regressors(temperature, soc), float(kind == "restart"), cold, cold * below])


def _around(soc: float) -> Figure:
    return Figure(soc, soc, soc) if math.isfinite(soc) else Figure(80.0, 60.0, 100.0)


def _voltage_before(
    seen: Sequence[Start], curve: OcvCurve, temperature: float, soc: Figure, kind: StartKind
) -> tuple[float, float]:
    """Voltage just before the next crank and its standard deviation [V].

    What the board draws before a crank lowers it by about 0.15 V, until this recording's starts say otherwise.
    """
    alike = [s for s in seen if s.kind == kind and math.isfinite(s.soc)]
    ocv = float(curve.voltage_at(np.array(soc.value), np.array(_known(temperature))))
    below = np.array(
        [s.before_v - float(curve.voltage_at(np.array(s.soc), np.array(_known(s.temperature_c)))) for s in alike]
    )
    noise, prior_sd = 0.06, 0.15
    precision = 1.0 / prior_sd**2 + len(below) / noise**2
    mean = (-0.15 / prior_sd**2 + below.sum() / noise**2) / precision
    scatter = math.sqrt((4.0 * noise**2 + float(((below - mean) ** 2).sum())) / (4.0 + len(below)))
    own = (soc.high - soc.low) / 3.92 * float(curve.slope_at(np.array(soc.value)))
    own *= 0.3 if alike else 1.0  # an error of the charge's level is in these starts' differences too
    return ocv + mean, math.sqrt(1.0 / precision + scatter**2 + own**2)


def _known(temperature: float) -> float:
    """The temperature, within what a battery can have; a mild day's where unknown [degC]."""
    return min(max(temperature, -50.0), 80.0) if math.isfinite(temperature) else ASSUMED_TEMPERATURE_C


def _regressors(temperature: float, soc: float) -> FloatArray:
    charge = soc if math.isfinite(soc) else 80.0
    return np.array(
        [
            1.0,
            float(temperature_log_factor(np.array(_known(temperature)))),
            float(charge_log_factor(np.array(charge))),
        ]
    )


def with_resistance(starts: Sequence[Start], cranks: Sequence[Crank], fit: Fit | None) -> tuple[Start, ...]:
    """The starts, each with its own normalised resistance."""
    return tuple(
        replace(start, resistance_mohm=normalised(crank, start, fit))
        for start, crank in zip(starts, cranks, strict=True)
    )
