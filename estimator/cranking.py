"""Resistance: what the recording's cranks say together, at one temperature, charge, length and current."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from decoder.frames import FloatArray, Int64Array
from estimator.cranks import INRUSH_S, Crank
from estimator.estimate import Figure, Start, unknown_figure
from estimator.grid import ASSUMED_TEMPERATURE_C, SECOND_NS, Grid
from estimator.phases import IDLE_STOP
from estimator.regression import Fit, fit_with_prior
from signal_defs.platform import Battery
from signal_defs.text import Text

ARRHENIUS_K = 775.0  # activation energy over the gas constant
REFERENCE_A, REFERENCE_S = 200.0, 0.45  # the crank that resistance is told for: current, and middle of its plateau
LEARNED_SPAN = (math.inf, 0.09, 0.15, 0.25, 0.15)  # least span of each regressor for its effect to be learned
PRIOR_MEAN, PRIOR_SD = (0.0, 1.0, 0.7, 0.08, -0.1), (1.0, 0.45, 0.4, 0.06, 0.1)
WIDEST = 3.0  # of a band in the logarithm: twenty-fold either way says nothing already
NOT_YET = Text("The resistance of this crank was not worked out.")
COMMON_SD = 0.05  # shared by all cranks: the sensor's gain and what the regressors leave out


def known_temperature(temperature: FloatArray) -> FloatArray:
    """The temperature, within what a battery can have; a mild day's where unknown [degC]."""
    return np.clip(np.nan_to_num(temperature, nan=ASSUMED_TEMPERATURE_C), -50.0, 80.0)


def arrhenius(temperature: FloatArray, energy_k: float) -> FloatArray:
    """Natural logarithm of what grows with an activation energy over the gas constant [K], over that at 25 degC."""
    return np.asarray(energy_k * (1.0 / (known_temperature(temperature) + 273.15) - 1.0 / 298.15))


def temperature_log_factor(temperature: FloatArray) -> FloatArray:
    """Natural logarithm of a crank's resistance over that at 25 degC: 1.55-fold at -18 degC, 0.9 % a kelvin at 20.

    Between what the sources say of -18 degC: 1.40 and 1.57 by two workshops' load-test tables (half the cold-cranking
    current, 15 s; least voltage 9.6 V at 21 degC, 8.5 or 8.0 V at -18), 1.43 by a battery guide (half more from +30 to
    -18 degC), 1.6 to 2.2 from memory. The prior of the fit is as wide as they disagree: 1.0 to 2.4.
    """
    return arrhenius(temperature, ARRHENIUS_K)


def charge_log_factor(soc: FloatArray) -> FloatArray:
    """Natural logarithm of resistance over that of a full battery; 0 above 70 %, +10 % at 50 %, +65 % at 20 %.

    Low charge adds 30 to 100 % below half, from memory; 40 % from full to empty, by a battery guide. 80 % if unknown.
    """
    return np.asarray(np.log1p(2.6e-4 * np.maximum(70.0 - np.nan_to_num(soc, nan=80.0), 0.0) ** 2))


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
                before_a=crank.before_a,
                board_min_v=crank.board_min_v,
                method=crank.method,
                resolved=crank.resolved,
            )
        )
    return tuple(starts)


def pooled_resistance(starts: Sequence[Start], cranks: Sequence[Crank], rating: float) -> tuple[Figure, Fit | None]:
    """Resistance of the reference crank at 25 degC and full [mOhm] from all cranks, and the fit behind it (ln Ohm).

    rating: what a new battery would have [Ohm]; only a very wide prior. The effects of temperature, charge, length and
    current are fitted around the published ones where the recording spans enough.
    """
    used = [k for k, crank in enumerate(cranks) if crank.resistance > 0]
    if not used:
        return unknown_figure(
            Text("No crank was sampled finely enough for a resistance: 20 samples a second of voltage and current.")
        ), None
    design = _level_where_narrow(_regressors([starts[k] for k in used], [cranks[k] for k in used]))
    ohm = np.array([cranks[k].resistance for k in used])
    sd = np.array([cranks[k].resistance_sd for k in used]) / ohm
    prior = (np.array([math.log(rating), *PRIOR_MEAN[1:]]), np.array(PRIOR_SD))
    fit = fit_with_prior(design, np.log(ohm), sd, prior, floor=0.02)
    middle, spread = fit.at(np.array([1.0, 0.0, 0.0, 0.0, 0.0]))
    half = min(1.96 * math.hypot(spread, COMMON_SD), WIDEST)
    value = 1e3 * math.exp(middle)
    return Figure(value, value * math.exp(-half), value * math.exp(half)), fit


def _regressors(starts: Sequence[Start], cranks: Sequence[Crank]) -> FloatArray:
    """(n, 5) one; effect of temperature, of charge; logarithms of the plateau's middle and of its current.

    Polarisation grows with time and, in part, only with the logarithm of the current: a restart of 0.3 s reads lower
    than a first start of 0.8 s, a large current lower than a small one.
    """
    length_s = np.array([(crank.end_ns - crank.start_ns) / 1e9 for crank in cranks])
    middle_s = np.where(length_s > INRUSH_S, 0.5 * (length_s + INRUSH_S), 0.5 * length_s)
    current = np.abs([crank.plateau_a - crank.before_a for crank in cranks])
    return np.stack(
        (
            np.ones(len(starts)),
            temperature_log_factor(np.array([start.temperature_c for start in starts])),
            charge_log_factor(np.array([start.soc for start in starts])),
            np.log(np.clip(middle_s, 0.05, 2.0) / REFERENCE_S),
            np.log(np.clip(np.nan_to_num(current, nan=REFERENCE_A), 50.0, 2000.0) / REFERENCE_A),
        ),
        axis=1,
    )


def _level_where_narrow(design: FloatArray) -> FloatArray:
    """Regressors that span too little to be learned (under 10 K, or little below 70 % charge) made constant.

    Otherwise any small habit of the recording's cranks would be read as an effect of temperature and carried far.
    """
    narrow = np.ptp(design, axis=0) < np.array(LEARNED_SPAN)
    return np.where(narrow, design.mean(axis=0), design)


def _normalised(crank: Crank, start: Start, fit: Fit | None) -> Figure:
    """One crank's resistance as that of the reference crank at 25 degC and full [mOhm]."""
    if fit is None or not crank.resistance > 0:
        return unknown_figure(
            Text(
                "The crank was sampled too slowly for a resistance; its lowest voltage was at most {v:.2f} V.",
                {"v": crank.min_v},
            )
            if math.isfinite(crank.min_v)
            else Text("No voltage was sampled during the crank.")
        )
    row = _regressors([start], [crank])[0]
    row[0] = 0.0
    shift, spread = fit.at(row)
    half = min(1.96 * math.sqrt((crank.resistance_sd / crank.resistance) ** 2 + spread**2 + COMMON_SD**2), WIDEST)
    value = 1e3 * crank.resistance * math.exp(-shift)
    return Figure(value, value * math.exp(-half), value * math.exp(half))


def with_resistance(starts: Sequence[Start], cranks: Sequence[Crank], fit: Fit | None) -> tuple[Start, ...]:
    """The starts, each with its own normalised resistance."""
    return tuple(
        replace(start, resistance_mohm=_normalised(crank, start, fit))
        for start, crank in zip(starts, cranks, strict=True)
    )
