"""What changed at visits, as the fleet page says it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.changes import Change, Visit
from reports.fleet_words import CHANGES, VISITS, day_words
from reports.language import Language
from reports.plain import plain
from reports.table import Cell, Column, Table, number, table, word
from signal_defs.text import Text

_SENTENCES = 12  # shown openly
_ROWS = 700  # of the table: every figure of a hundred visits


@dataclass(frozen=True, slots=True, eq=False)
class Visits:
    """answer: in one sentence. changed: (vehicle, sentence) of what changed for sure. numbers: every figure."""

    answer: str
    changed: tuple[tuple[str, str], ...]
    numbers: Table | None


def visits_part(changes: Sequence[Change], say: Language) -> Visits:
    """What is said of visits; changes: of those within the weeks recorded."""
    visits = list(dict.fromkeys(change.visit for change in changes))
    told = [change for change in changes if change.verdict in {"better", "worse"}]
    found = [(plain(change.visit.vehicle), _sentence(change, say)) for change in told[:_SENTENCES]]
    return Visits(_answer(visits, told, changes, say), tuple(found), _numbers(changes, say) if changes else None)


def _answer(visits: Sequence[Visit], told: Sequence[Change], changes: Sequence[Change], say: Language) -> str:
    if not visits:
        return say("No visit to the workshop and no change of battery is known of these weeks.")
    judged = {change.visit for change in changes if change.verdict != "too_little_data"}
    if not judged:
        return say.many(
            "There was {n} visit; there is too little data before or after it to tell what it changed.",
            "There were {n} visits; there is too little data before or after them to tell what they changed.",
            len(visits),
        )
    return say(
        "{changed} of {judged} visits with enough data changed a figure by more than chance.",
        changed=len({change.visit for change in told}),
        judged=len(judged),
    )


def _sentence(change: Change, say: Language) -> str:
    metric, digits = change.metric, change.metric.digits
    return say(
        "{day}, {what}: {title} {verdict}, from {before} to {after} {unit} ({low} to {high}).",
        day=day_words(change.visit.day),
        what=_what(change.visit, say),
        title=say.text(Text(metric.title)),
        verdict=say.text(CHANGES[change.verdict]),
        before=say.number(change.before, digits),
        after=say.number(change.after, digits),
        unit=metric.unit,
        low=say.number(change.difference.low, digits, sign=True),
        high=say.number(change.difference.high, digits, sign=True),
    )


def _what(visit: Visit, say: Language) -> str:
    return ", ".join(say.text(VISITS[kind]) if kind in VISITS else plain(kind) for kind in visit.kinds)


def _numbers(changes: Sequence[Change], say: Language) -> Table:
    columns = [
        Column(say("Vehicle")),
        Column(say("Day")),
        Column(say("What was done")),
        Column(say("Figure")),
        Column(say("Unit")),
        Column(say("Before"), numeric=True),
        Column(say("After"), numeric=True),
        Column(say("Change"), numeric=True),
        Column(say("At least"), numeric=True),
        Column(say("At most"), numeric=True),
        Column(say("Days before and after")),
        Column(say("Verdict")),
    ]
    left = len(changes) - _ROWS
    more = say("{n} further rows are left out.", n=left) if left > 0 else ""
    caption = say("Each figure in the 28 days before and after a visit, in the same classes of temperature")
    return table("visits", caption, columns, [_row(change, say) for change in changes[:_ROWS]], more)


def _row(change: Change, say: Language) -> list[Cell]:
    metric, digits = change.metric, change.metric.digits + 1
    told = say.text(CHANGES[change.verdict])
    missing = " ".join(say.text(line) for line in change.lacking)
    values = (change.before, change.after, change.difference.value, change.difference.low, change.difference.high)
    return [
        word(change.visit.vehicle),
        word(day_words(change.visit.day)),
        word(_what(change.visit, say)),
        word(say.text(Text(metric.title))),
        word(metric.unit),
        *(number(value, digits, say) for value in values),
        word(say("{before} and {after}", before=change.days[0], after=change.days[1]) if any(change.days) else ""),
        word(missing or told),
    ]
