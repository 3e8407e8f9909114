"""Findings on cold and heat that refuse idle-stop by design, and on thermometers that only say so."""

from __future__ import annotations

import numpy as np

from idle_stop.account import Reason
from idle_stop.findings.blockers import is_thermal, noteworthy
from idle_stop.findings.facts import LONG_REST_S, Facts, Finding, finding, middle
from signal_defs.platform import Condition
from signal_defs.text import Text, many

SOAK_APART_K = 12.0  # battery against air after a night: further apart, one of them is wrong; common practice
WARMED_S = 1200.0  # a drive this long warms an engine; common practice
LIVES_K = 0.5  # a temperature that moves less over a drive from cold to warm is stuck; ours
HOT_COOLANT_C = 110.0  # published limit 115: above this the cooling wants a look


def cold_by_design(facts: Facts) -> Finding | None:
    """Refused because something is still cold; it passes as it warms."""
    return _temperature(facts, "cold_by_design", cold=True)


def heat_by_design(facts: Facts) -> Finding | None:
    """Refused because something is too hot."""
    return _temperature(facts, "heat_by_design", cold=False)


def _temperature(facts: Facts, code: str, *, cold: bool) -> Finding | None:
    def beyond(reason: Reason) -> bool:
        if not is_thermal(reason) or isinstance(reason.value, str) or isinstance(reason.threshold, str):
            return False
        return (reason.value < reason.threshold) if cold else (reason.value > reason.threshold)

    refused = facts.failing(beyond)
    if not refused:
        return _never_seen_to_stop(facts, code, cold=cold)
    reasons = [reason for one in refused for reason in one.reasons if beyond(reason)]
    of_battery = any(reason.role == "battery_temperature" for reason in reasons)
    if not of_battery and not noteworthy(facts, refused):
        return None
    worst = max(reasons, key=lambda reason: (reason.role == "battery_temperature", _distance(reason)))
    lines = [
        many(
            "At one standstill “{condition}” was not met: {value:.0f} °C, the limit is {threshold:.0f} °C.",
            "At {n} standstills “{condition}” was not met: at worst {value:.0f} °C, the limit is {threshold:.0f} °C.",
            len(refused),
            condition=worst.condition,
            value=worst.value,
            threshold=worst.threshold,
        )
    ]
    later = [one for one in facts.stopped if one.start_ns > refused[-1].start_ns]
    if later:
        again = many("Later idle-stop worked again, once.", "Later idle-stop worked again, {n} times.", len(later))
        lines.append(again)
    against: list[Text] = []
    air = facts.trace("ambient_temperature")
    apart = abs(_soak_apart_k(facts)) if worst.role == "battery_temperature" else float("nan")
    if air is not None and apart <= SOAK_APART_K:
        lines.append(Text("It was {t:.0f} °C outside, which fits.", {"t": middle(air.value)}))
    elif apart > SOAK_APART_K or _is_stuck(facts, worst.role):
        against.append(Text("That thermometer never moved, or does not fit the air after a rest: it may be broken."))
    hot_engine = not cold and any(r.role == "coolant_temperature" and float(r.value) > HOT_COOLANT_C for r in reasons)
    return finding(code, "check" if against or hot_engine else "note", lines, against)


def _distance(reason: Reason) -> float:
    return abs(float(reason.value) - float(reason.threshold))


def _is_stuck(facts: Facts, role: str) -> bool:
    """Whether a thermometer that a drive must warm did not move over one of twenty minutes."""
    trace = facts.trace(role)
    drives = [drive for drive in facts.trips if drive.end_ns - drive.start_ns >= WARMED_S * 1e9]
    if trace is None or role == "ambient_temperature" or (role != "battery_temperature" and not drives):
        return False
    if role == "battery_temperature" and facts.recording.duration_s < LONG_REST_S:
        return False  # a battery's mass takes hours to warm
    return float(np.ptp(trace.value[trace.valid])) < LIVES_K


def _soak_apart_k(facts: Facts) -> float:
    """Battery minus air at the first start after a rest of six hours and more [K]; NaN without one."""
    battery, air = facts.trace("battery_temperature"), facts.trace("ambient_temperature")
    long = [rest for rest in facts.estimate.rests if rest.end_ns - rest.start_ns >= LONG_REST_S * 1e9]
    if battery is None or air is None or not long:
        return float("nan")
    end_ns = long[0].end_ns
    shown = air.value[np.searchsorted(air.time_ns, end_ns - 60_000_000_000) :][:600]
    return float(battery.held(np.array([end_ns]), 600.0)[0]) - middle(shown)


def _never_seen_to_stop(facts: Facts, code: str, *, cold: bool) -> Finding | None:
    """Where refusals cannot be seen: no stop in any drive, and the battery beyond its limit all the while."""
    if facts.account.count("stopped") or facts.account.count("cut_short") or facts.refused:
        return None
    battery = facts.trace("battery_temperature")
    drives = [drive for drive in facts.trips if drive.end_ns - drive.start_ns >= 600e9]
    if battery is None or not drives:
        return None
    running = battery.value[facts.during(battery, "running")]
    for condition in facts.platform.idle_stop.conditions:
        if condition.role == "battery_temperature" and len(running) and _all_beyond(running, condition, cold=cold):
            line = Text(
                "Drives without any idle-stop: {n}; the battery was at {t:.0f} °C, the vehicle asks for "
                "{limit:.0f} °C.",
                {
                    "n": len(drives),
                    "t": middle(running),
                    "limit": condition.at_least if cold else condition.at_most,
                },
            )
            return finding(code, "note", [line], capped=True)
    return None


def _all_beyond(values: np.ndarray, condition: Condition, *, cold: bool) -> bool:
    limit = condition.at_least if cold else condition.at_most
    if limit is None:
        return False
    return bool((values < limit).all() if cold else (values > limit).all())
