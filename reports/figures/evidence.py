"""What happened at this standstill?"""

from __future__ import annotations

from typing import Any

import numpy as np

from decoder.recording import Trace
from idle_stop.account import Reason, Standstill
from reports.failing import against, failing, is_flag
from reports.figures.band import sentence
from reports.picture import Canvas, Picture, Row
from reports.role_words import role_words
from reports.rule_tables import must_be
from reports.theme import GREEN, role_colour
from reports.thinning import thin
from reports.view import View, span_of
from signal_defs.platform import Condition

_BEFORE_NS, _AFTER_NS, _LONGEST_NS = 20_000_000_000, 10_000_000_000, 240_000_000_000
_POINTS = 120
_ALWAYS = ("vehicle_speed", "engine_speed", "battery_voltage", "battery_current")
_MOST = 7


def evidence(view: View, number: int) -> Picture:
    """What happened at this standstill? Signals of its conditions around it, thresholds, the instant of decision."""
    standstill = view.account.standstills[number]
    start = standstill.start_ns - _BEFORE_NS
    span = (start, min(standstill.end_ns + _AFTER_NS, start + _LONGEST_NS))
    traces = [trace for role in _roles(standstill, view) if (trace := _trace(role, view)) is not None]
    shown = [(trace, *thin(trace, _POINTS, span, gap_s=view.silence_s(trace))) for trace in traces]
    rules = [[one for one in view.conditions if one.role == trace.role] for trace in traces]
    nothing = Row(view.say("No signal of this standstill was recorded."), 60, (0.0, 1.0))
    rows = [_row(trace, value, limits, view) for (trace, _, value), limits in zip(shown, rules, strict=True)]
    canvas = view.over_time(f"standstill-{number}", rows or [nothing], span, left=52)
    canvas.span(view.instant(standstill.start_ns), view.instant(min(standstill.end_ns, span[1])), role_colour(""))
    if standstill.stop_start_ns is not None:
        end = standstill.stop_end_ns or standstill.end_ns
        canvas.span(view.instant(standstill.stop_start_ns), view.instant(min(end, span[1])), GREEN)
    canvas.moment(view.instant(standstill.decision_ns), view.say("decision"))
    for row, (trace, time, value) in enumerate(shown):
        _draw(canvas, row, trace, view.clock.axis(np.maximum(time, span[0])), value, view)
        for rule in rules[row]:
            _threshold(canvas, row, rule, trace.unit, view)
    return canvas.done()


def evidence_words(view: View, number: int) -> str:
    """The same standstill as one sentence, with each failing value and its threshold."""
    standstill = view.account.standstills[number]
    words = sentence(standstill, view)
    details = [_detail(reason, standstill, view) for reason in standstill.reasons]
    if standstill.not_sought_because is not None:
        details.append(view.say.text(standstill.not_sought_because))
    unseen = standstill.unknown_conditions
    if unseen:
        details.append(
            view.say("Not visible: {names}.", names=view.say.list([view.say.quoted(name) for name in unseen], limit=8))
        )
    return " ".join(line if line.endswith(".") else f"{line}." for line in [words, *details])


def _detail(reason: Reason, standstill: Standstill, view: View) -> str:
    """What failed, by how much and for how long."""
    say = view.say
    return say(
        "At the decision “{condition}” was not met: {value}; so since the recording began."
        if reason.failing_since_ns <= view.analysis.recording.start_ns + _BEFORE_NS
        else "At the decision “{condition}” was not met: {value}; so for at least the last {lasted}.",
        condition=say.name(reason.condition),
        value=failing(reason, say) if is_flag(reason) else against(reason, say),
        lasted=say.duration(max(standstill.decision_ns - reason.failing_since_ns, 0) / 1e9),
    )


def _roles(standstill: Standstill, view: View) -> list[str]:
    """The roles of its reasons, then what is always shown, then the other conditions' roles; each once."""
    reasons = [reason.role for reason in standstill.reasons]
    others = [one.role for one in view.conditions if one.group == "electrical"]
    return list(dict.fromkeys([*reasons, *_ALWAYS, *others]))[:_MOST]


def _trace(role: str, view: View) -> Trace | None:
    """The role's trace; for state of charge the estimate where the sensor sends none."""
    found = view.analysis.recording.traces.get(role)
    if found is not None or role != "battery_soc" or not len(view.estimate.time_ns):
        return found
    estimate = view.estimate
    return Trace(role, "", "%", estimate.time_ns, estimate.soc, np.isfinite(estimate.soc))


def _row(trace: Trace, value: object, rules: list[Condition], view: View) -> Row:
    name = role_words(trace.role, view.say)
    if trace.unit == "bool":
        return Row(name, 40, (-0.2, 1.2), {0.0: view.say("no"), 1.0: view.say("yes")})
    limits = [limit for rule in rules for limit in (rule.at_least, rule.at_most) if limit is not None]
    unit = trace.unit.replace("degC", "°C")
    title = f"{name} [{unit}]" if unit else name
    labels = {float(key): word for key, word in list(trace.labels.items())[:8]}
    least = {"V": 1.0, "%": 10.0, "A": 10.0, "rpm": 500.0, "km/h": 5.0}.get(trace.unit, 1.0)
    return Row(title, 84, span_of(np.asarray(value), np.array(limits, dtype=float), least=least, pad=0.12), labels)


def _draw(canvas: Canvas, row: int, trace: Trace, at: Any, value: Any, view: View) -> None:
    name = role_words(trace.role, view.say)
    steps = trace.unit in {"bool", ""}
    unit = "" if steps else " " + trace.unit.replace("degC", "°C")
    canvas.line(row, at, value, name, role_colour(trace.role), steps=steps, value=f"%{{y:.4~g}}{unit}")


def _threshold(canvas: Canvas, row: int, rule: Condition, unit: str, view: View) -> None:
    level = rule.at_most if rule.at_least is None else rule.at_least
    if level is not None:
        must = must_be(rule, unit, view.say)
        name = view.say.name(rule.name)
        canvas.level(row, level, view.say("{name}: {value}", name=name, value=must), narrow=must)
