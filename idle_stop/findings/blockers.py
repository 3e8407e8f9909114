"""Findings on what refuses idle-stop although the battery is sound, and on rules that do not fit the vehicle."""

from __future__ import annotations

from collections import Counter

from idle_stop.account import Reason
from idle_stop.findings.facts import Facts, finding
from idle_stop.findings.finding import Finding
from signal_defs.text import Text

TEMPERATURES = frozenset(
    {"battery_temperature", "ambient_temperature", "coolant_temperature", "oil_temperature", "catalyst_temperature"}
)


def cold_by_design(facts: Facts) -> Finding | None:
    """Refused because something is still cold; it passes as it warms."""
    return _temperature(facts, "cold_by_design", cold=True)


def heat_by_design(facts: Facts) -> Finding | None:
    """Refused because something is too hot."""
    return _temperature(facts, "heat_by_design", cold=False)


def _temperature(facts: Facts, code: str, *, cold: bool) -> Finding | None:
    def beyond(reason: Reason) -> bool:
        if reason.role not in TEMPERATURES or isinstance(reason.value, str) or isinstance(reason.threshold, str):
            return False
        return (reason.value < reason.threshold) if cold else (reason.value > reason.threshold)

    refused = facts.failing(beyond)
    if not refused:
        return None
    worst = next(reason for reason in refused[0].reasons if beyond(reason))
    lines = [
        Text(
            "{n} standstills met {condition} out of its range: {value:.0f} °C against {threshold:.0f} °C.",
            {"n": len(refused), "condition": worst.condition, "value": worst.value, "threshold": worst.threshold},
        )
    ]
    later = [s for s in facts.stopped if s.start_ns > refused[-1].start_ns]
    if later:
        lines.append(Text("Afterwards {n} stops went through.", {"n": len(later)}))
    return finding(code, "note", lines)


def comfort_load(facts: Facts) -> Finding | None:
    """The cabin asks for the engine."""
    alone = facts.failing_alone(lambda reason: reason.group == "comfort")
    if not alone:
        return None
    names = Counter(standstill.reasons[0].condition for standstill in alone)
    lines = [
        Text("{n} times nothing but {condition} was in the way.", {"n": count, "condition": name})
        for name, count in names.most_common(3)
    ]
    ended = [standstill for standstill in alone if standstill.outcome == "cut_short"]
    if ended:
        lines.append(Text("{n} stops were ended early by it.", {"n": len(ended)}))
    share = len(alone) / max(len(facts.refused) + len(facts.cut_short), 1)
    return finding("comfort_load", "check" if share > 0.3 else "note", lines)


def single_blocker(facts: Facts) -> Finding | None:
    """One condition outside battery, cold and comfort refuses nearly everything: a switch, a sensor, a setting."""
    alone = facts.failing_alone(lambda reason: reason.group not in {"electrical", "comfort"} and not _thermal(reason))
    names = Counter(standstill.reasons[0].condition for standstill in alone)
    if not names or names.most_common(1)[0][1] < 3:
        return None
    name, count = names.most_common(1)[0]
    if count * 2 <= len(facts.refused):
        return None
    blocked = [s for s in alone if s.reasons[0].condition == name]
    lines = [
        Text(
            "In {n} of {all} refused standstills {condition} alone was not met.",
            {"n": count, "all": len(facts.refused), "condition": name},
        ),
        Text(
            "It was not met for {min:.0f} minutes at the longest.",
            {"min": max(s.decision_ns - s.reasons[0].failing_since_ns for s in blocked) / 60e9},
        ),
    ]
    return finding("single_blocker", "act", lines, capped=any(s.verdict != "sole" for s in blocked))


def _thermal(reason: Reason) -> bool:
    return reason.role in TEMPERATURES


def rules_do_not_fit(facts: Facts) -> Finding | None:
    """All conditions known and met, yet refused; or stopped with a condition not met: the platform file is wrong."""
    contradicted = [s for s in facts.account.standstills if s.verdict == "contradicted"]
    unexpected = [s for s in facts.stopped if not s.explained and s.verdict != "contradicted"]
    lines: list[Text] = []
    if contradicted:
        lines.append(
            Text("{n} standstills were refused although every condition was known and met.", {"n": len(contradicted)})
        )
    if unexpected:
        lines.append(Text("{n} stops do not follow from the platform's conditions.", {"n": len(unexpected)}))
    return finding("rules_do_not_fit", "check", lines, capped=True)
