"""Part 3: why was idle-stop refused, and what would cure it?"""

from __future__ import annotations

from idle_stop.account import Cycling
from idle_stop.cures import idle_fuel, idle_seconds
from idle_stop.shares import battery_share
from reports.failing import alone_as_far_as_seen, failing_by_condition
from reports.figures.reasons import reason_bars
from reports.part import Part, Shown
from reports.parts.learned import learned, learned_lines, learned_tables
from reports.table import Cell, Column, Table, number, table, word
from reports.view import View
from signal_defs.text import Text

_FEW = 5  # refusals; with fewer a share says nothing
CYCLING: dict[Cycling, Text] = {
    "normal": Text("The lack of charge looks like normal use."),
    "defect": Text("The lack of charge looks like a defect, not like use."),
    "undecided": Text("The order of stops and refusals does not tell whether use or a defect took the charge."),
}


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
    tables = [_cures(view)] if account.cures or account.smallest_cures else []
    lines = list(_lines(view))
    found = learned(view)
    if found is not None:
        tables += learned_tables(view, found)
        lines += learned_lines(view, found)
    return Part("why", question, _answer(view), (shown,), tuple(tables), notes, tuple(lines))


def _lines(view: View) -> list[str]:
    """The battery's share, what the refusals burnt, and whether lack of charge looks like use or like a defect."""
    say, account = view.say, view.account
    lines = []
    shares = battery_share(account)
    if shares.battery.is_known and len(account.refused) >= _FEW:
        lines.append(
            say(
                "Of {n} refusals {value:.0%} are the battery's alone; for {unknown:.0%} the cause is not certain. Over "
                "many such drives it would be {low:.0%} to {high:.0%}."
                if shares.unknown
                else "Of {n} refusals {value:.0%} are the battery's alone; the cause of each is known. Over many such "
                "drives it would be {low:.0%} to {high:.0%}.",
                n=len(account.refused),
                value=shares.battery.value,
                low=shares.battery.low,
                high=shares.battery.high,
                unknown=shares.unknown,
            )
        )
    elif shares.battery.unknown is not None and account.refused:
        lines.append(say("The battery's share: {why}", why=shares.battery.unknown))
        unseen = dict.fromkeys(name for one in account.refused if one.reasons for name in one.unknown_conditions)
        if unseen:
            names = say.list([say.quoted(name) for name in unseen])
            lines.append(say("They are not surely explained because {names} could not be seen in them.", names=names))
            if any(one.code == "sensor_reset_unlearned" for one in view.analysis.findings):
                lines.append(
                    say("What a sensor says of the charge before it has learned is a default: it counts as not seen.")
                )
    if account.refused:
        idle_s = sum(idle_seconds(one) for one in account.refused)
        _, source = idle_fuel(idle_s, view.analysis.platform.idle_stop)
        burnt = fuel_words(idle_s, view)
        lines.append(say("Idling in them burnt {fuel}. {source}", fuel=burnt, source=source))
    if account.charge_cycling != "none":
        evidence = " ".join(say.text(text) for text in account.charge_cycling_evidence)
        lines.append(say("{verdict} {evidence}", verdict=CYCLING[account.charge_cycling], evidence=evidence))
    return lines


def fuel_words(idle_s: float, view: View) -> str:
    """What that much idling burns, with its band; no digits beyond the hundredth of a litre."""
    fuel, _ = idle_fuel(idle_s, view.analysis.platform.idle_stop)
    if fuel.value < 0.01:
        return view.say("less than 0.01 l") if idle_s > 0 else "0 l"
    return view.say.figure(fuel, 2 if fuel.value < 1 else 1, "l")


def _answer(view: View) -> str:
    say, account = view.say, view.account
    refused = account.count("refused")
    hidden = sum(not one.reasons for one in account.refused)
    cures = sorted(account.cures, key=lambda cure: -cure.refusals)
    tail = ""
    if hidden:
        tail = " " + say.many(
            "The cause of {n} refusal is not visible.", "The cause of {n} refusals is not visible.", hidden
        )
    if not cures or not cures[0].refusals:
        return say("No single condition explains a refusal by itself.") + tail
    best = cures[0]
    if refused == 1:
        return say(
            "With {name} met, the refusal would not have happened ({idle} of idling).",
            name=say.list([say.quoted(name) for name in best.conditions]),
            idle=say.duration(best.idle_s),
        )
    seen = alone_as_far_as_seen(account.standstills)
    return (
        say(
            "With {name} met, {n} of {refused} refusals would not have happened, as far as the recording shows "
            "({idle} of idling)."
            if any(seen[name] for name in best.conditions)
            else "With {name} met, {n} of {refused} refusals would not have happened ({idle} of idling).",
            name=say.list([say.quoted(name) for name in best.conditions]),
            n=best.refusals,
            refused=refused,
            idle=say.duration(best.idle_s),
        )
        + tail
    )


def _reasons(view: View) -> Table:
    say = view.say
    columns = [
        Column(say("Not met")),
        Column(say("Refusals where it failed"), numeric=True),
        Column(say("of those, alone"), numeric=True),
        Column(say("of those, alone as far as seen"), numeric=True),
        Column(say("Idling"), "s", numeric=True),
    ]
    seen = alone_as_far_as_seen(view.account.standstills)
    items = sorted(view.account.reason_counts.items(), key=lambda item: (-item[1][0], item[0]))
    failed = failing_by_condition(view.account.standstills, "refused", say)
    rows = [
        [
            word(failed.get(name) or say.name(name)),
            *(Cell(str(count), count) for count in (n, sole, seen[name])),
            number(idle, 0, say),
        ]
        for name, (n, sole, idle) in items
    ]
    hidden = [one for one in view.account.refused if not one.reasons]
    if hidden:
        idle = sum(idle_seconds(one) for one in hidden)
        count, none = Cell(str(len(hidden)), len(hidden)), Cell("–", "")
        rows.append([word(say("cause not visible")), count, none, none, number(idle, 0, say)])
    return table("reasons", say("Reasons for refusals"), columns, rows)


def _cures(view: View) -> Table:
    say = view.say
    columns = [
        Column(say("Were this met")),
        Column(say("Refusals gone"), numeric=True),
        Column(say("Idling gone"), "s", numeric=True),
        Column(say("Fuel saved"), numeric=True),
    ]
    rules = view.analysis.platform.idle_stop
    cures = dict.fromkeys((*sorted(view.account.cures, key=lambda one: -one.refusals), *view.account.smallest_cures))
    rows = [
        [
            word(" + ".join(say.name(name) for name in cure.conditions)),
            Cell(str(cure.refusals), cure.refusals),
            number(cure.idle_s, 0, say),
            Cell(fuel_words(cure.idle_s, view), round(idle_fuel(cure.idle_s, rules)[0].value, 4)),
        ]
        for cure in cures
    ]
    return table("cures", say("What would have freed how many refusals"), columns, rows)
