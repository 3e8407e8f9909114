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

_SENTENCES = 12  # visits shown openly
_SURE = ("better", "worse")
_ROWS = 700  # of the table: every figure of a hundred visits


@dataclass(frozen=True, slots=True, eq=False)
class Visits:
    """answer: in one sentence. changed: (vehicle, sentence) of each visit after which a figure changed.

    numbers: every figure of every visit, None without any.
    """

    answer: str
    changed: tuple[tuple[str, str], ...]
    numbers: Table | None


def visits_part(changes: Sequence[Change], say: Language) -> Visits:
    """What is said of visits; changes: of those within the weeks recorded."""
    ordered = sorted(changes, key=lambda change: (-change.visit.day, change.visit.vehicle))
    visits = list(dict.fromkeys(change.visit for change in ordered))
    told = {visit: [one for one in ordered if one.visit == visit and one.verdict in _SURE] for visit in visits}
    told = {visit: found for visit, found in told.items() if found}
    sentences = [(plain(visit.vehicle), _sentence(visit, found, say)) for visit, found in told.items()]
    judged = {change.visit for change in changes if change.verdict != "too_little_data"}
    return Visits(
        _answer(len(visits), len(judged), len(told), say),
        tuple(sentences[:_SENTENCES]),
        _numbers(ordered, say) if changes else None,
    )


def _answer(visits: int, judged: int, changed: int, say: Language) -> str:
    """visits: how many; of them with enough data; of those after which a figure changed."""
    if not visits:
        return say("No visit to the workshop and no change of battery is known of these weeks.")
    if not judged:
        return say.many(
            "There was {n} visit; there is too little data before or after it to tell what it changed.",
            "There were {n} visits; there is too little data before or after them to tell what they changed.",
            visits,
        )
    return say(
        "After {changed} of {judged} visits with enough data a figure was another by more than chance.",
        changed=changed,
        judged=judged,
    )


def _sentence(visit: Visit, changes: Sequence[Change], say: Language) -> str:
    """All that changed at one visit."""
    return say(
        "{day}, {what}: {changes}.",
        day=day_words(visit.day),
        what=_what(visit, say),
        changes="; ".join(_changed(change, say) for change in changes),
    )


def _changed(change: Change, say: Language) -> str:
    metric, digits = change.metric, change.metric.digits
    return say(
        "{title} {verdict}, from {before} to {after} {unit} ({low} to {high})",
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
