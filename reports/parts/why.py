"""Part 3: why was idle-stop refused, and what would cure it?"""

from __future__ import annotations

from reports.figures.reasons import reason_bars
from reports.part import Part, Shown
from reports.plain import plain
from reports.table import Cell, Column, Table, number, table, word
from reports.view import View


def why_part(view: View) -> Part:
    """Reasons counted, and cures."""
    say, account = view.say, view.account
    question = say("Why was idle-stop refused?")
    refused = account.count("refused")
    if account.battery_only:
        answer = say("Refusals cannot be seen in the battery's signals alone.")
        return Part("why", question, answer, notes=tuple(say.text(text) for text in account.unknown))
    notes = tuple(say.text(text) for text in account.unknown)
    if not refused and not account.reason_counts:
        answer = say("It was not refused in this recording.") if account.standstills else say("Nothing to judge.")
        return Part("why", question, answer, notes=notes)
    shown = Shown(
        reason_bars(view),
        say("Refusals by condition"),
        say(
            "How often each condition was not met when a stop was refused. A refusal with several conditions not met "
            "counts once for each of them."
        ),
        _reasons(view),
    )
    tables = (_cures(view),) if account.cures or account.smallest_cures else ()
    return Part("why", question, _answer(view), (shown,), tables, notes)


def _answer(view: View) -> str:
    say, account = view.say, view.account
    refused = account.count("refused")
    hidden = sum(one.outcome == "refused" and not one.reasons for one in account.standstills)
    cures = sorted(account.cures, key=lambda cure: -cure.refusals)
    tail = ""
    if hidden:
        tail = " " + say.many(
            "The cause of {n} refusal is not visible.", "The cause of {n} refusals is not visible.", hidden
        )
    if not cures or not cures[0].refusals:
        return say("No single condition explains a refusal by itself.") + tail
    best = cures[0]
    return (
        say(
            "With {name} met, {n} of {refused} refusals would not have happened ({idle} of idling).",
            name=say.list([f"“{plain(name)}”" for name in best.conditions]),
            n=best.refusals,
            refused=refused,
            idle=say.duration(best.idle_s),
        )
        + tail
    )


def _reasons(view: View) -> Table:
    say = view.say
    columns = [
        Column(say("Condition")),
        Column(say("Refusals where it failed"), numeric=True),
        Column(say("of those, alone"), numeric=True),
        Column(say("Idling"), "s", numeric=True),
    ]
    items = sorted(view.account.reason_counts.items(), key=lambda item: (-item[1][0], item[0]))
    rows = [
        [word(name), Cell(str(n), n), Cell(str(sole), sole), number(idle, 0, say)] for name, (n, sole, idle) in items
    ]
    hidden = [one for one in view.account.standstills if one.outcome == "refused" and not one.reasons]
    if hidden:
        idle = sum(one.seconds for one in hidden)
        count = Cell(str(len(hidden)), len(hidden))
        rows.append([word(say("cause not visible")), count, Cell("–", ""), number(idle, 0, say)])
    return table("reasons", say("Reasons for refusals"), columns, rows)


def _cures(view: View) -> Table:
    say = view.say
    columns = [
        Column(say("Were this met")),
        Column(say("Refusals gone"), numeric=True),
        Column(say("Idling gone"), "s", numeric=True),
    ]
    cures = dict.fromkeys((*sorted(view.account.cures, key=lambda one: -one.refusals), *view.account.smallest_cures))
    rows = [
        [
            word(" + ".join(plain(name) for name in cure.conditions)),
            Cell(str(cure.refusals), cure.refusals),
            number(cure.idle_s, 0, say),
        ]
        for cure in cures
    ]
    return table("cures", say("What would have freed how many refusals"), columns, rows)
