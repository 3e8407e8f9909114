"""The estimate of one recording: grid, phases, charge, health, in that order."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from decoder.frames import FloatArray
from decoder.recording import Recording
from estimator.anchors import find_full_charges, full_anchor, rest_anchor
from estimator.capacity import Swing, assumed_capacity, estimate_capacity, health_of
from estimator.charge import Charge, solve_charge
from estimator.cranking import next_crank, pooled_resistance, rated_resistance, starts_of, with_resistance
from estimator.cranks import find_cranks
from estimator.drives import charge_acceptance, charge_moved, find_drives
from estimator.estimate import BatteryEstimate, Figure, Phase, Rest, Start, unknown_figure
from estimator.grid import Grid, build_grid
from estimator.motion import OFFSET, PER_AH, lay_out_motion
from estimator.ocv import curve_of
from estimator.phases import find_phases
from estimator.quiescent import UNSURE_START_SOC, Draw, days_until, quiescent_figure
from estimator.rests import describe_rests, find_rests
from estimator.sensor import judge_sensor
from signal_defs.platform import Battery, IdleStopRules
from signal_defs.text import Text

LONG_REST_S = 4 * 3600.0


def estimate_battery(recording: Recording, battery: Battery, *, rules: IdleStopRules | None = None) -> BatteryEstimate:
    """Everything the recording tells of its battery.

    battery: as the platform says. rules: for the idle-stop threshold of charge; None leaves that question open.
    Gaps and invalid samples are left out and widen the bands; a recording without voltage or current gives an estimate
    in which everything is unknown. Raises DefinitionError only for a faulty open-circuit curve.
    """
    curve = curve_of(battery)
    grid = build_grid(recording)
    cranks = find_cranks(recording)
    phases = find_phases(recording, grid, cranks)
    if not len(grid):
        return _nothing(phases.phases)
    nominal = battery.capacity_nominal
    found = find_rests(grid, phases.kind, nominal)
    fulls = find_full_charges(grid, phases.kind, nominal)
    anchors = [rest_anchor(rest, curve) for rest in found] + [full_anchor(full, grid) for full in fulls]
    charge = solve_charge(grid, lay_out_motion(grid, phases.kind, nominal), anchors, curve, nominal)
    soc, low, high = _bounded(charge)
    offset = _offset(charge)
    told_offset = _told_offset(charge, offset)
    rests, draws = describe_rests(grid, found, curve, offset.value)
    starts = starts_of(grid, phases.kind, cranks, soc)
    resistance, fit = pooled_resistance(starts, cranks, rated_resistance(battery))
    starts = with_resistance(starts, cranks, fit)
    drives = find_drives(recording, grid, phases.kind, offset.value)
    capacity = estimate_capacity(charge, _swing(rests), faded=False)
    quiescent = quiescent_figure(draws, offset)
    parked = _mean_parked(draws, quiescent)
    soc_end = _at(len(grid) - 1, soc, low, high)
    reckoned = assumed_capacity(capacity, charge)
    temperature = _last_temperature(grid)
    charged, discharged, covered_s = charge_moved(grid, 0, len(grid), offset.value)
    return BatteryEstimate(
        time_ns=grid.time_ns,
        soc=soc,
        soc_low=low,
        soc_high=high,
        phases=phases.phases,
        starts=starts,
        rests=rests,
        drives=drives,
        soc_start=_at(0, soc, low, high),
        soc_end=soc_end,
        soc_min=_at(int(np.argmin(soc)), soc, low, high),
        capacity_ah=capacity,
        soh_percent=health_of(capacity, nominal),
        resistance_mohm=resistance,
        current_offset_a=told_offset,
        quiescent_ma=quiescent,
        next_crank_min_v=next_crank(starts, curve, temperature, soc_end),
        charged_ah=charged,
        discharged_ah=discharged,
        coverage=min(covered_s / recording.duration_s, 1.0) if recording.duration_s > 0 else 0.0,
        charge_acceptance_a_per_ah=charge_acceptance(grid, drives, nominal),
        days_to_idle_stop_limit=_days_to_idle_stop(rules, soc_end, reckoned, parked),
        days_to_no_start=days_until(UNSURE_START_SOC, soc_end, reckoned, parked),
        next_crank_temperature_c=temperature,
        unknown=_unknown(grid, rests, starts),
        sensor=judge_sensor(recording, grid, soc, cranks, reckoned.value, health_of(capacity, nominal)),
        full_charges_ns=tuple(full.end_ns for full in fulls),
    )


def _bounded(charge: Charge) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Charge and its 95 % band, kept within 0 and 100 %."""
    half = 1.96 * charge.sd
    return (
        np.clip(charge.soc, 0.0, 100.0),
        np.clip(charge.soc - half, 0.0, 100.0),
        np.clip(charge.soc + half, 0.0, 100.0),
    )


def _at(row: int, soc: FloatArray, low: FloatArray, high: FloatArray) -> Figure:
    return Figure(float(soc[row]), float(low[row]), float(high[row]))


def _offset(charge: Charge) -> Figure:
    """What the sensor adds to the current [A], as the solution holds it; the prior speaks where the data are silent."""
    per_ah = max(float(charge.mean[PER_AH]), 1e-3)
    value = float(charge.mean[OFFSET]) / per_ah
    half = 1.96 * math.sqrt(float(charge.covariance[OFFSET, OFFSET])) / per_ah
    return Figure(value, value - half, value + half)


def _told_offset(charge: Charge, offset: Figure) -> Figure:
    """The offset where the data told it."""
    if charge.covariance[OFFSET, OFFSET] > 0.35 * charge.prior_sd[OFFSET] ** 2:
        return unknown_figure(
            Text("The current sensor's offset cannot be told apart from the true draw: no long rests far enough apart.")
        )
    return offset


def _swing(rests: Sequence[Rest]) -> Swing:
    """Rests of four hours and more, and the range of charge they show."""
    levels = [
        rest.soc_from_ocv.value
        for rest in rests
        if rest.end_ns - rest.start_ns >= LONG_REST_S * 1e9 and rest.soc_from_ocv.is_known
    ]
    return Swing(len(levels), max(levels) - min(levels) if levels else 0.0)


def _mean_parked(draws: Sequence[Draw], asleep: Figure) -> Figure:
    """Mean draw of the parked vehicle, wake-ups included [mA]: that asleep, and what waking adds."""
    hours = sum(draw.covered_h for draw in draws if draw.asleep_h > 0)
    if not asleep.is_known or hours <= 0:
        return asleep
    waking = -1e3 * sum(wake.charge_ah for draw in draws for wake in draw.wake_ups) / hours
    return Figure(asleep.value + waking, asleep.low + 1.5 * waking, asleep.high + 0.5 * waking)


def _days_to_idle_stop(rules: IdleStopRules | None, soc: Figure, capacity: Figure, parked: Figure) -> Figure:
    limits = (
        [c.at_least for c in rules.conditions if c.role == "battery_soc" and c.at_least is not None] if rules else []
    )
    if not limits:
        return unknown_figure(Text("The platform names no lowest state of charge for idle-stop."))
    return days_until(max(limits), soc, capacity, parked)


def _last_temperature(grid: Grid) -> float:
    known = grid.temperature[np.isfinite(grid.temperature)]
    return float(known[-1]) if len(known) else math.nan


def _unknown(grid: Grid, rests: Sequence[Rest], starts: Sequence[Start]) -> tuple[Text, ...]:
    """What this recording could not tell, in sentences."""
    said = []
    if not np.isfinite(grid.current).any():
        said.append(Text("No current was recorded: charge is known only where the battery rested."))
    if not np.isfinite(grid.voltage).any():
        said.append(Text("No voltage was recorded: neither charge nor resistance can be told."))
    if not np.isfinite(grid.temperature).any():
        said.append(Text("No battery temperature was recorded; a mild day was assumed and the bands are wider."))
    if not any(rest.settled == "settled" for rest in rests):
        said.append(Text("The battery never rested long enough to settle; the charge is told with a wide band."))
    if not starts:
        said.append(Text("No crank was recorded."))
    elif not any(start.resolved for start in starts):
        said.append(
            Text("The cranks were sampled too slowly to see their lowest voltage: 20 samples a second are needed.")
        )
    return tuple(said)


def _nothing(phases: tuple[Phase, ...]) -> BatteryEstimate:
    """The estimate of a recording without a valid sample of voltage or current."""
    empty = unknown_figure(Text("No valid sample of battery voltage or current was recorded."))
    none = np.zeros(0)
    return BatteryEstimate(
        time_ns=np.zeros(0, dtype=np.int64),
        soc=none,
        soc_low=none,
        soc_high=none,
        phases=phases,
        starts=(),
        rests=(),
        drives=(),
        soc_start=empty,
        soc_end=empty,
        soc_min=empty,
        capacity_ah=empty,
        soh_percent=empty,
        resistance_mohm=empty,
        current_offset_a=empty,
        quiescent_ma=empty,
        next_crank_min_v=empty,
        charged_ah=0.0,
        discharged_ah=0.0,
        coverage=0.0,
        charge_acceptance_a_per_ah=empty,
        days_to_idle_stop_limit=empty,
        days_to_no_start=empty,
        unknown=(Text("No valid sample of battery voltage or current was recorded."),),
    )
