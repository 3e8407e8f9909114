"""What the facts of a recording say is worth a check or a repair: a table of rules, each with its evidence."""

from __future__ import annotations

from decoder.recording import Recording
from estimator.estimate import BatteryEstimate
from idle_stop.account import Account
from idle_stop.findings import (
    battery,
    blockers,
    charging,
    contact,
    cranking,
    data,
    draw,
    learning,
    sensor,
    temperatures,
)
from idle_stop.findings.facts import Facts, Finding, Weight
from signal_defs.platform import Platform

__all__ = ["RULES", "Finding", "Weight", "find_findings"]

RULES = (
    sensor.current_sign_wrong,
    data.sensor_mute,
    charging.no_charging,
    charging.overvoltage,
    draw.parasitic_drain,
    charging.undercharge_short_trips,
    battery.shorted_cell,
    battery.battery_resistance_high,
    battery.capacity_low,
    contact.ground_contact,
    blockers.single_blocker,
    battery.low_ocv_at_full,
    battery.wrong_type_or_stratified,
    battery.battery_changed,
    cranking.stabiliser_not_holding,
    cranking.starter_drag,
    cranking.slow_restart_not_electrical,
    draw.stop_load_high,
    learning.sensor_reset_unlearned,
    sensor.battery_coding_wrong,
    sensor.current_offset,
    blockers.comfort_load,
    blockers.rules_do_not_fit,
    data.lin_errors,
    data.frozen_value,
    learning.relearn_pending,
    temperatures.cold_by_design,
    temperatures.heat_by_design,
    blockers.normal_cycling,
    data.data_gap,
)
_ORDER = {"act": 0, "check": 1, "note": 2}


def find_findings(
    recording: Recording, estimate: BatteryEstimate, account: Account, platform: Platform
) -> tuple[Finding, ...]:
    """Every finding the facts carry, most weighty first; among equals the firm before the possible."""
    facts = Facts(recording, estimate, account, platform)
    found = [finding for rule in RULES if (finding := rule(facts)) is not None]
    return tuple(sorted(found, key=lambda finding: (_ORDER[finding.weight], finding.possible)))
