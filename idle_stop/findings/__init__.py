"""What the facts of a recording say is worth a check or a repair: a table of rules, each with its evidence."""

from __future__ import annotations

from decoder.recording import Recording
from estimator.estimate import BatteryEstimate
from idle_stop.account import Account
from idle_stop.findings import battery, blockers, charging, data, sensor
from idle_stop.findings.facts import Facts
from idle_stop.findings.finding import Finding, Weight
from signal_defs.platform import Platform

__all__ = ["RULES", "Finding", "Weight", "find_findings"]

RULES = (
    sensor.current_sign_wrong,
    charging.no_charging,
    charging.overvoltage,
    charging.parasitic_drain,
    charging.undercharge_short_trips,
    charging.stop_load_high,
    charging.low_ocv_at_full,
    battery.shorted_cell,
    battery.battery_resistance_high,
    battery.capacity_low,
    battery.wrong_type_or_stratified,
    battery.ground_contact,
    battery.stabiliser_not_holding,
    battery.starter_drag,
    battery.slow_restart_not_electrical,
    sensor.sensor_mute,
    sensor.sensor_reset_unlearned,
    sensor.battery_coding_wrong,
    sensor.current_offset,
    sensor.relearn_pending,
    blockers.single_blocker,
    blockers.comfort_load,
    blockers.cold_by_design,
    blockers.heat_by_design,
    blockers.rules_do_not_fit,
    data.lin_errors,
    data.frozen_value,
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
