"""Part 3: why was idle-stop refused, and what would cure it?"""

from __future__ import annotations

from estimator.estimate import Figure
from idle_stop.account import Cycling
from idle_stop.cures import idle_seconds
from idle_stop.idling import idle_fuel, rate_source
from idle_stop.shares import battery_share
from reports.failing import alone_as_far_as_seen, failing_by_condition
from reports.figures.reasons import reason_bars
from reports.language import Language
from reports.part import Part, Shown
from reports.parts.learned import learned, learned_lines, learned_table
from reports.table import Cell, Column, Table, numbers, texts
from reports.view import View
from signal_defs.text import Text

_FEW = 5  # refusals; with fewer a share says nothing
_CYCLING: dict[Cycling, Text] = {
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
    lines = _lines(view)
    found = learned(view)
    if found is not None:
        table = learned_table(view, found)
        tables += [table] if table else []
        lines += learned_lines(view, found)
    return Part("why", question, _answer(view), (shown,), tuple(tables), notes, tuple(lines))


def _lines(view: View) -> list[str]:
    """The battery's share, what the refusals burnt, and whether lack of charge looks like use or like a defect."""
    say, account = view.say, view.account
    lines = _battery_share(view) if account.refused else []
    if account.refused:
        rate = view.analysis.platform.idle_stop.idle_fuel_l_per_h
        fuel = idle_fuel(sum(map(idle_seconds, account.refused)), len(account.refused), rate)
        words, source = _fuel_words(fuel, say), rate_source(int(rate is not None), 1)
        lines.append(say("Stops at them would have saved {fuel} of fuel. {source}", fuel=words, source=source))
    if account.charge_cycling != "none":
        evidence = " ".join(map(say.text, account.charge_cycling_evidence))
        lines.append(say("{verdict} {evidence}", verdict=_CYCLING[account.charge_cycling], evidence=evidence))
    return lines


def _battery_share(view: View) -> list[str]:
    """How much of the refusals is the battery's, or why that cannot be told."""
    say, refused = view.say, view.account.refused
    shares = battery_share(view.account)
    if shares.battery.is_known and len(refused) >= _FEW:
        return [
            say(
                "Of {n} refusals {value:.0%} are the battery's alone; for {unknown:.0%} the cause is not certain. Over "
                "many such drives it would be {low:.0%} to {high:.0%}."
                if shares.unknown
                else "Of {n} refusals {value:.0%} are the battery's alone; the cause of each is known. Over many such "
                "drives it would be {low:.0%} to {high:.0%}.",
                n=len(refused),
                value=shares.battery.value,
                low=shares.battery.low,
                high=shares.battery.high,
                unknown=shares.unknown,
            )
        ]
    if shares.battery.unknown is None:
        return []
    lines = [say("The battery's share: {why}", why=shares.battery.unknown)]
    unseen = dict.fromkeys(name for one in refused if one.reasons for name in one.unknown_conditions)
    if unseen:
        names = say.list([say.quoted(name) for name in unseen])
        lines.append(say("They are not surely explained because {names} could not be seen in them.", names=names))
        if any(one.code == "sensor_reset_unlearned" for one in view.analysis.findings):
            lines.append(
                say("What a sensor says of the charge before it has learned is a default: it counts as not seen.")
            )
    return lines


def _fuel_words(fuel: Figure, say: Language) -> str:
    """Fuel with its band; no digits beyond the hundredth of a litre."""
    if fuel.high < 0.01:
        return say("less than 0.01 l")
    return say.figure(fuel, 2 if fuel.value < 1 else 1, "l")


def _answer(view: View) -> str:
    """The one condition that would have freed most."""
    say, account = view.say, view.account
    refused = account.count("refused")
    hidden = sum(not one.reasons for one in account.refused)
    best = account.cures[0] if account.cures else None
    if best is None or not best.refusals:
        answer = say("No single condition explains a refusal by itself.")
    else:
        seen = alone_as_far_as_seen(account.standstills)
        answer = say(
            "With {name} met, the refusal would not have happened ({idle} of idling)."
            if refused == 1
            else "With {name} met, {n} of {refused} refusals would not have happened, as far as the recording shows "
            "({idle} of idling)."
            if any(seen[name] for name in best.conditions)
            else "With {name} met, {n} of {refused} refusals would not have happened ({idle} of idling).",
            name=say.list([say.quoted(name) for name in best.conditions]),
            n=best.refusals,
            refused=refused,
            idle=say.duration(best.idle_s),
        )
    if not hidden:
        return answer
    unseen = say.many("The cause of {n} refusal is not visible.", "The cause of {n} refusals is not visible.", hidden)
    return f"{answer} {unseen}"


def _reasons(view: View) -> Table:
    say, account = view.say, view.account
    seen = alone_as_far_as_seen(account.standstills)
    counts = sorted(account.reason_counts.items(), key=lambda item: (-item[1][0], item[0]))
    failed = failing_by_condition(account.standstills, "refused", say)
    rows: list[tuple[str, int, int | None, int | None, float]] = [
        (failed.get(name) or say.name(name), n, sole, seen[name], idle) for name, (n, sole, idle) in counts
    ]
    hidden = [one for one in account.refused if not one.reasons]
    if hidden:
        rows.append((say("cause not visible"), len(hidden), None, None, sum(map(idle_seconds, hidden))))
    columns = [
        texts(say("Not met"), [row[0] for row in rows]),
        numbers(say, say("Refusals where it failed"), [row[1] for row in rows]),
        numbers(say, say("of those, alone"), [row[2] for row in rows]),
        numbers(say, say("of those, alone as far as seen"), [row[3] for row in rows]),
        numbers(say, say("Idling"), [row[4] for row in rows], 0, "s"),
    ]
    return Table("reasons", say("Reasons for refusals"), columns)


def _cures(view: View) -> Table:
    say, account = view.say, view.account
    cures = list(dict.fromkeys((*account.cures, *account.smallest_cures)))
    rate = view.analysis.platform.idle_stop.idle_fuel_l_per_h
    fuel = [idle_fuel(one.idle_s, one.refusals, rate) for one in cures]
    columns = [
        texts(say("Were this met"), [" + ".join(map(say.name, one.conditions)) for one in cures]),
        numbers(say, say("Refusals gone"), [one.refusals for one in cures]),
        numbers(say, say("Idling gone"), [one.idle_s for one in cures], 0, "s"),
        Column(say("Fuel saved"), [Cell(_fuel_words(one, say), round(one.value, 4)) for one in fuel], numeric=True),
    ]
    return Table("cures", say("What would have freed how many refusals"), columns)
