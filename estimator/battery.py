"""The estimate of one recording: grid, phases, charge, health, in that order."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from decoder.frames import FloatArray, Int64Array
from decoder.recording import Recording
from estimator.acceptance import charge_acceptance
from estimator.anchors import find_full_charges, full_anchor, ocv_at_full, rest_anchor
from estimator.capacity import Swing, assumed_capacity, estimate_capacity, health_of
from estimator.charge import Charge, solve_charge
from estimator.cranking import pooled_resistance, rated_resistance, starts_of, with_resistance
from estimator.cranks import Crank, find_cranks
from estimator.drives import charge_moved, find_drives
from estimator.episodes import cut_recording, find_battery_changes
from estimator.estimate import BatteryEstimate, Fade, Figure, Rest, Start, unknown_figure
from estimator.fade import (
    LOW_AT_FULL,
    Usable,
    band_if_hidden,
    before_collapse,
    capacity_to_collapse,
    empty_anchor,
    empty_at,
    find_collapse,
    full_at,
    judge_fade,
    proved_limit,
)
from estimator.grid import Grid, build_grid, valid_samples
from estimator.joining import join_estimates, nothing_known, say_turned, turn_current
from estimator.load_steps import load_step_resistance
from estimator.measurement import Anchor, worth_using
from estimator.motion import DRIFT, OFFSET, PER_AH, lay_out_motion
from estimator.next_crank import next_crank
from estimator.ocv import OcvCurve, curve_of
from estimator.phases import find_phases
from estimator.quiescent import UNSURE_START_SOC, days_until, mean_parked, quiescent_figure
from estimator.rests import describe_rests, find_rests
from estimator.sensor import judge_sensor
from signal_defs.platform import Battery, IdleStopRules
from signal_defs.text import Text

LONG_REST_S = 4 * 3600.0


def estimate_battery(recording: Recording, battery: Battery, *, rules: IdleStopRules | None = None) -> BatteryEstimate:
    """Everything the recording tells of its battery.

    battery: as the platform says. rules: for the idle-stop threshold of charge; None leaves that question open.
    Gaps and invalid samples are left out and widen the bands; a recording without voltage or current gives an estimate
    in which everything is unknown. A recording that goes over from one battery to another is cut there;
    a current of which the cranks show that its sign is wrong is turned round first.
    Raises DefinitionError only for a faulty open-circuit curve.
    """
    cranks = find_cranks(recording)
    inverted = sum(crank.inverted for crank in cranks)
    if inverted < 2 or inverted <= len(cranks) / 2:
        return _estimate_parts(recording, battery, rules, cranks)
    turned = turn_current(recording)
    return say_turned(_estimate_parts(turned, battery, rules, find_cranks(turned)), inverted)


def _estimate_parts(
    recording: Recording, battery: Battery, rules: IdleStopRules | None, cranks: tuple[Crank, ...]
) -> BatteryEstimate:
    """The estimate of one battery, or of several fitted one after the other."""
    curve = curve_of(battery)
    grid = build_grid(recording)
    changes = find_battery_changes(recording, grid, cranks)
    if not changes:
        return _estimate_one(recording, battery, curve, rules, grid, cranks)
    del grid
    edges = [recording.start_ns, *(change.time_ns for change in changes), recording.end_ns + 1]
    parts = [
        _estimate_one(part, battery, curve, rules, build_grid(part), find_cranks(part))
        for part in (cut_recording(recording, start, end) for start, end in pairwise(edges))
    ]
    return join_estimates(parts, changes, recording.duration_s)


def _estimate_one(
    recording: Recording,
    battery: Battery,
    curve: OcvCurve,
    rules: IdleStopRules | None,
    grid: Grid,
    cranks: tuple[Crank, ...],
) -> BatteryEstimate:
    """The estimate of one battery."""
    phases = find_phases(recording, grid, cranks)
    if not len(grid):
        return nothing_known(phases.phases)
    nominal = battery.capacity_nominal
    found = find_rests(grid, phases.kind, nominal)
    fulls = find_full_charges(grid, phases.kind, nominal)
    collapse = find_collapse(grid, phases.kind, nominal)
    anchors = worth_using([rest_anchor(rest, curve) for rest in found]) + [full_anchor(full, grid) for full in fulls]
    charge, empty = _charge_by_acid(grid, phases.kind, anchors, curve, nominal, collapse)
    offset, told_offset = _offset(charge, grid)
    rests, draws = describe_rests(grid, found, curve, offset.value, float(charge.mean[PER_AH]))
    at_full = ocv_at_full(fulls, rests, nominal)
    usable = Usable(full_at(charge, at_full, fulls, grid, offset.value, nominal), empty)
    soc, low, high = _bounded(charge, usable)
    high = _as_high_as_full(high, at_full, usable)
    starts = starts_of(grid, phases.kind, cranks, soc)
    resistance, fit = pooled_resistance(starts, cranks, rated_resistance(battery))
    starts = with_resistance(starts, cranks, fit)
    drives = find_drives(recording, grid, phases.kind, offset.value)
    acceptance, acceptance_at = charge_acceptance(grid, drives, soc, nominal)
    by_acid = estimate_capacity(charge, _swing(rests))
    fade = judge_fade(
        usable,
        at_full,
        _lowest(charge),
        by_acid,
        1e-3 * resistance.low / rated_resistance(battery),
        _last_value(recording, "battery_soh"),
    )
    if fade.state in {"possible", "likely"}:
        low_if_hidden, high_if_hidden = band_if_hidden(low, high, at_full)
        low = low_if_hidden if fade.state == "likely" else low
        fade = replace(fade, charge_end=_at(len(grid) - 1, soc, low_if_hidden, high_if_hidden))
    rests = tuple(replace(rest, soc_from_ocv=usable.figure(rest.soc_from_ocv)) for rest in rests)
    usual = usable.capacity(by_acid)
    if collapse is not None and usable.empty:
        usual = capacity_to_collapse(charge, grid, usable, collapse[0], offset.value)
    capacity = proved_limit(usual, fade)
    health = health_of(capacity, nominal)
    reckoned = assumed_capacity(capacity if fade.state == "likely" else usual, charge)
    quiescent = quiescent_figure(draws, offset)
    parked = mean_parked(draws, quiescent)
    soc_end = _at(len(grid) - 1, soc, low, high)
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
        soh_percent=health,
        resistance_mohm=resistance,
        current_offset_a=told_offset,
        quiescent_ma=quiescent,
        next_crank_min_v=next_crank(starts, usable.curve(curve), temperature, soc_end),
        charged_ah=charged,
        discharged_ah=discharged,
        coverage=min(covered_s / recording.duration_s, 1.0) if recording.duration_s > 0 else 0.0,
        charge_acceptance_a_per_ah=acceptance,
        charge_acceptance_at=acceptance_at,
        days_to_idle_stop_limit=_days_to_idle_stop(rules, soc_end, reckoned, parked),
        days_to_no_start=days_until(UNSURE_START_SOC, soc_end, reckoned, parked),
        next_crank_temperature_c=temperature,
        unknown=_unknown(grid, rests, starts, fade),
        sensor=replace(judge_sensor(recording, grid, soc, cranks, reckoned.value, health), ocv_at_full_soc=at_full),
        full_charges_ns=tuple(full.end_ns for full in fulls),
        fade=fade,
        load_step_resistance_mohm=load_step_resistance(recording),
    )


def _charge_by_acid(
    grid: Grid,
    kind: Int64Array,
    anchors: Sequence[Anchor],
    curve: OcvCurve,
    nominal: float,
    collapse: tuple[int, int] | None,
) -> tuple[Charge, float]:
    """Charge as the acid tells it, and at which of it the battery is empty [%]: 0 unless its voltage gave way early."""
    motion = lay_out_motion(grid, kind, nominal)
    if collapse is None:
        return solve_charge(grid, motion, anchors, curve, nominal), 0.0
    sound = before_collapse(anchors, grid, collapse)
    charge = solve_charge(grid, motion, sound, curve, nominal)
    empty = empty_at(charge, grid, collapse[0])
    if empty:
        return charge, empty
    return solve_charge(grid, motion, [*sound, empty_anchor(grid, collapse[0])], curve, nominal), 0.0


def _bounded(charge: Charge, usable: Usable) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Charge of what the battery can give and its 95 % band, kept within 0 and 100 %."""
    soc = usable.charge(charge.soc)
    half = 1.96 * usable.spread(soc, charge.sd)
    return np.clip(soc, 0.0, 100.0), np.clip(soc - half, 0.0, 100.0), np.clip(soc + half, 0.0, 100.0)


def _last_value(recording: Recording, role: str) -> float:
    """The last valid value of a signal; NaN without one."""
    _, value = valid_samples(recording.traces.get(role))
    return float(value[-1]) if len(value) else math.nan


def _as_high_as_full(high: FloatArray, at_full: Figure, usable: Usable) -> FloatArray:
    """(n,) the band's upper edge [%], raised where a battery that looks full reads low, and it is not sure it was full.

    Acid bound in sulphate does not come back: its charge of what it still holds is then higher by up to as much. A
    charge that only looked finished looks the same, so the value stays.
    """
    if usable.full < 100.0 or not (at_full.is_known and at_full.high < LOW_AT_FULL):
        return high
    return np.minimum(high + 100.0 - at_full.value, 100.0)


def _at(row: int, soc: FloatArray, low: FloatArray, high: FloatArray) -> Figure:
    return Figure(float(soc[row]), float(low[row]), float(high[row]))


def _lowest(charge: Charge) -> Figure:
    """Charge of the acid where it is lowest [%]."""
    row = int(np.argmin(charge.soc))
    half = 1.96 * charge.sd
    return _at(row, charge.soc, charge.soc - half, charge.soc + half)


def _offset(charge: Charge, grid: Grid) -> tuple[Figure, Figure]:
    """What the sensor adds to the current [A], as the solution holds it at the recording's own mean temperature.

    At 25 degC it would be an extrapolation in winter: only offset and drift together are known well. The prior speaks
    where the data are silent. The second figure is the first where the data told it, else unknown.
    """
    hours = np.diff(grid.covered_s, prepend=0.0)
    mean_c = float(np.average(grid.known_temperature(), weights=hours)) if hours.sum() > 0 else 25.0
    pick = np.zeros(len(charge.mean))
    pick[OFFSET], pick[DRIFT] = 1.0, (mean_c - 25.0) / 10.0
    variance = float(pick @ charge.covariance @ pick)
    per_ah = max(float(charge.mean[PER_AH]), 1e-3)
    value, half = float(pick @ charge.mean) / per_ah, 1.96 * math.sqrt(variance) / per_ah
    offset = Figure(value, value - half, value + half)
    if variance <= 0.35 * charge.prior_sd[OFFSET] ** 2:
        return offset, offset
    return offset, unknown_figure(
        Text("The current sensor's offset cannot be told apart from the true draw: no long rests far enough apart.")
    )


def _swing(rests: Sequence[Rest]) -> Swing:
    """Rests of four hours and more, and the range of charge they show."""
    levels = [
        rest.soc_from_ocv.value
        for rest in rests
        if rest.end_ns - rest.start_ns >= LONG_REST_S * 1e9 and rest.soc_from_ocv.is_known
    ]
    return Swing(len(levels), max(levels) - min(levels) if levels else 0.0)


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


def _unknown(grid: Grid, rests: Sequence[Rest], starts: Sequence[Start], fade: Fade) -> tuple[Text, ...]:
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
    if fade.acid_capacity_ah.is_known and fade.charge_end.is_known:
        said.append(
            Text(
                "Capacity and charge are read from the acid: plates lost, or acid bound in sulphate, may not show. "
                "Proved is only what was drawn: {ah:.0f} Ah; with such a loss the charge at the end could be anything "
                "from {low:.0f} to {high:.0f} %.",
                {"ah": fade.proved_ah, "low": fade.charge_end.low, "high": fade.charge_end.high},
            )
        )
    return tuple(said)
