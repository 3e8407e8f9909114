"""Optional parts of analysis.json: what follows from the account and the estimate beside the facts themselves."""

from __future__ import annotations

import math
from typing import Any

from estimator.estimate import Figure
from idle_stop.analysis import Analysis
from idle_stop.idling import idle_fuel
from idle_stop.restarts import restart_quality
from idle_stop.shares import battery_share
from idle_stop.thresholds import Interval
from reports.clock import Clock
from reports.parts.learned import learned
from reports.plain import plain
from reports.view import View


def more_of(view: View) -> dict[str, Any]:
    """Shares, cures, cycling, restart quality, the sensor judged, learned thresholds: plain JSON values."""
    analysis, clock, say = view.analysis, view.clock, view.say
    return {
        "shares": _shares(analysis),
        "cures": _cures(analysis),
        "charge_cycling": {
            "verdict": analysis.account.charge_cycling,
            "evidence": [say.text(text) for text in analysis.account.charge_cycling_evidence],
        },
        "restart_quality": _quality(analysis),
        "sensor": _sensor(analysis, clock),
        "battery_changes": [
            {"t": clock.seconds(one.time_ns), "evidence": [say.text(text) for text in one.evidence]}
            for one in analysis.estimate.battery_changes
        ],
        "learned_thresholds": _learned(view),
    }


def more_of_battery(view: View) -> dict[str, Any]:
    """Further figures of the battery."""
    say, estimate = view.say, view.estimate
    seen_at, fade = estimate.charge_acceptance_at, estimate.fade
    return {
        "load_step_resistance_mohm": figure(estimate.load_step_resistance_mohm, 2),
        "charge_acceptance_a_per_ah": figure(estimate.charge_acceptance_a_per_ah, 3),
        "charge_acceptance_at": seen_at
        and {
            "voltage_v": rounded(seen_at.voltage, 2),
            "soc": rounded(seen_at.soc, 1),
            "temperature_c": rounded(seen_at.temperature_c, 1),
            "drives": seen_at.drives,
        },
        "fade": fade
        and {
            "state": fade.state,
            "acid_capacity_ah": figure(fade.acid_capacity_ah, 2),
            "proved_ah": rounded(fade.proved_ah, 2),
            "charge_end": figure(fade.charge_end, 1),
            "evidence": [say.text(line) for line in fade.evidence],
        },
        "days_to_idle_stop_limit": figure(estimate.days_to_idle_stop_limit, 1),
        "days_to_no_start": figure(estimate.days_to_no_start, 1),
        "next_crank_temperature_c": rounded(estimate.next_crank_temperature_c, 1),
    }


def figure(one: Figure, digits: int) -> dict[str, float] | None:
    """A figure with its band; None where it is unknown."""
    if not (one.is_known and math.isfinite(one.low) and math.isfinite(one.high)):
        return None
    return {name: round(getattr(one, name), digits) + 0.0 for name in ("value", "low", "high")}


def rounded(value: float, digits: int) -> float | None:
    """A number, None for NaN and infinity."""
    return round(float(value), digits) + 0.0 if math.isfinite(value) else None


def _shares(analysis: Analysis) -> dict[str, Any]:
    shares = battery_share(analysis.account)
    return {
        "refusals": shares.refusals,
        "battery": figure(shares.battery, 4),
        "unknown": rounded(shares.unknown, 4),
    }


def _cures(analysis: Analysis) -> list[dict[str, Any]]:
    account = analysis.account
    rows = []
    for one in dict.fromkeys((*account.cures, *account.smallest_cures)):
        fuel = idle_fuel(one.idle_s, one.refusals, analysis.platform.idle_stop.idle_fuel_l_per_h)
        rows.append(
            {
                "conditions": [plain(name) for name in one.conditions],
                "refusals": one.refusals,
                "idle_s": rounded(one.idle_s, 1),
                "fuel_l": figure(fuel, 4),
            }
        )
    return rows


def _quality(analysis: Analysis) -> list[dict[str, Any]]:
    return [
        {
            "kind": one.kind,
            "engine": one.warmth,
            "starts": one.starts,
            "timed": one.timed,
            "median_s": rounded(one.median_s, 3),
            "longest_s": rounded(one.longest_s, 3),
            "slow": one.slow,
            "limit_s": one.limit_s,
            "measured": one.measured,
            "lowest_v": rounded(one.lowest_v, 3),
            "dipped": one.dipped,
            "limit_v": one.limit_v,
            "limits_given": one.limits_given,
        }
        for one in restart_quality(analysis.recording, analysis.estimate, analysis.platform.idle_stop)
    ]


def _sensor(analysis: Analysis, clock: Clock) -> dict[str, Any] | None:
    one = analysis.estimate.sensor
    if one is None:
        return None
    return {
        "soc_difference": figure(one.soc_difference, 1),
        "soh_difference": figure(one.soh_difference, 1),
        "soc_constant": one.soc_constant,
        "soc_steps": [
            {"t": clock.seconds(step.time_ns), "before": rounded(step.before, 1), "after": rounded(step.after, 1)}
            for step in one.soc_steps
        ],
        "reset_seen": one.reset_seen,
        "implausible_share": rounded(one.implausible_share, 4),
        "coded_capacity_percent": rounded(one.coded_capacity_percent, 1),
        "counted_capacity_ah": figure(one.counted_capacity_ah, 1),
        "board_resistance_mohm": figure(one.board_resistance_mohm, 2),
        "soc_from_ocv_after_full_charge": figure(one.ocv_at_full_soc, 1),
        "sign_wrong": one.sign_wrong,
    }


def _learned(view: View) -> list[dict[str, Any]]:
    found = learned(view)
    if found is None:
        return []
    return [
        {
            "condition": plain(one.condition.name),
            "platform": rounded(one.in_file, 4),
            "unit": one.unit,
            "stop_level": _interval(one.stop_level),
            "release_level": _interval(one.release_level) if one.has_hysteresis else None,
            "stops": one.stops,
            "refusals": one.refusals,
            "against_platform": one.against_file,
            "fit": one.fit,
        }
        for one in found.rules.thresholds
    ]


def _interval(level: Interval) -> dict[str, float | None]:
    return {"low": rounded(level.low, 4), "high": rounded(level.high, 4)}
