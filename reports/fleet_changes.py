"""What changed at visits, as the fleet page says it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fleet.changes import Change, Visit
from reports.fleet_words import CHANGES, VISITS, day_words
from reports.language import Language
from reports.plain import plain
from reports.table import Table, numbers, texts

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
        title=say.text(metric.title),
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
    shown = changes[:_ROWS]
    digits = [one.metric.digits + 1 for one in shown]
    verdicts = [" ".join(map(say.text, one.lacking)) or say.text(CHANGES[one.verdict]) for one in shown]
    days = [say("{before} and {after}", before=a, after=b) if a or b else "" for a, b in (one.days for one in shown)]
    columns = [
        texts(say("Vehicle"), [one.visit.vehicle for one in shown]),
        texts(say("Day"), [day_words(one.visit.day) for one in shown]),
        texts(say("What was done"), [_what(one.visit, say) for one in shown]),
        texts(say("Figure"), [say.text(one.metric.title) for one in shown]),
        texts(say("Unit"), [one.metric.unit for one in shown]),
        numbers(say, say("Before"), [one.before for one in shown], digits),
        numbers(say, say("After"), [one.after for one in shown], digits),
        numbers(say, say("Change"), [one.difference.value for one in shown], digits),
        numbers(say, say("At least"), [one.difference.low for one in shown], digits),
        numbers(say, say("At most"), [one.difference.high for one in shown], digits),
        texts(say("Days before and after"), days),
        texts(say("Verdict"), verdicts),
    ]
    left = len(changes) - len(shown)
    more = say("{n} further rows are left out.", n=left) if left else ""
    caption = say("Each figure in the 28 days before and after a visit, in the same classes of temperature")
    return Table("visits", caption, columns, more)
