"""What the decisions of this recording say of the platform's thresholds."""

from __future__ import annotations

import math

from idle_stop.proposal import Proposal, propose
from idle_stop.thresholds import Fit, Interval
from reports.failing import quantity
from reports.language import Language
from reports.rule_tables import must_be
from reports.table import Table, numbers, texts
from reports.view import View
from signal_defs.text import Text

_FITS: dict[Fit, Text] = {
    "fits": Text("fits"),
    "too_strict": Text("too strict: the vehicle stopped beyond it"),
    "too_lax": Text("too lax: the vehicle refused within it"),
    "too_little_data": Text("too little data to judge"),
}


def learned(view: View) -> Proposal | None:
    """The rules as the decisions show them; None where there was no decision to learn from."""
    account = view.account
    if account.battery_only or not account.standstills or not view.conditions:
        return None
    found = propose([view.analysis])
    return found if found.rules.decisions else None


def learned_table(view: View, found: Proposal) -> Table | None:
    """One row a numeric condition that a decision tells of: its level in the file, the level seen, the fit."""
    say = view.say
    rules = [one for one in found.rules.thresholds if one.stops or one.refusals]
    if not rules:
        return None
    release = [_between(one.release_level, one.unit, say) if one.has_hysteresis else "–" for one in rules]
    columns = [
        texts(say("Condition"), [say.name(one.condition.name) for one in rules]),
        texts(say("Asked for by the platform"), [must_be(one.condition, one.unit, say) for one in rules]),
        texts(say("Level seen for stopping"), [_between(one.stop_level, one.unit, say) for one in rules]),
        texts(say("Level seen for coming back"), release),
        numbers(say, say("Stops with the value known"), [one.stops for one in rules]),
        numbers(say, say("Refusals laid to it alone"), [one.refusals for one in rules]),
        numbers(say, say("Decisions against the platform"), [one.against_file for one in rules]),
        texts(say("Verdict"), [say.text(_FITS[one.fit]) for one in rules]),
    ]
    return Table("learned", say("The platform's thresholds, and what the decisions say of them"), columns)


def learned_lines(view: View, found: Proposal) -> tuple[str, ...]:
    """What the decisions contradict, and that a condition must be missing."""
    say, rules = view.say, found.rules
    lines = [say.text(text) for text in rules.wrong]
    if rules.has_invisible:
        lines.append(
            say(
                "{n} refusals had every condition visible and none that can have caused them: the platform lacks a "
                "condition.",
                n=rules.unexplained,
            )
        )
    return tuple(lines)


def _between(level: Interval, unit: str, say: Language) -> str:
    low, high = (quantity(end, unit, say) for end in (level.low, level.high))
    if level.is_closed:
        return say("between {low} and {high}", low=low, high=high)
    if math.isfinite(level.low):
        return say("above {limit}", limit=low)
    return say("below {limit}", limit=high) if math.isfinite(level.high) else say("not bounded")
