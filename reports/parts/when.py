"""Part 2: when was idle-stop refused?"""

from __future__ import annotations

from idle_stop.account import Standstill
from idle_stop.cures import idle_seconds
from reports.failing import against, failing, quantity
from reports.figures.band import standstill_band
from reports.part import Part, Shown
from reports.summary import sought
from reports.table import Cell, Column, Table, number, table, word
from reports.theme import STATES, state_of
from reports.view import View

MOST_ROWS = 3000


def when_part(view: View) -> Part:
    """The band over time and the table of standstills."""
    say = view.say
    if not view.account.standstills:
        return Part(
            "when",
            say("When was idle-stop refused?"),
            say("Without the vehicle's speed no standstill can be seen, only stops of the engine: there was none.")
            if view.account.battery_only
            else say("No standstill was seen, so there is nothing to place in time."),
            notes=tuple(say.text(text) for text in view.account.unknown),
        )
    shown = Shown(
        standstill_band(view),
        say("Standstills by outcome"),
        say(
            "Each sign is one standstill. Touch or point at one, or choose one below, and its signals are shown. Drag "
            "over a stretch to enlarge it in all pictures over time; double-click shows all of the recording, to "
            "scale. Shaded: parked; a dotted line stands for the time written above it, which is left out."
        ),
        standstill_table(view),
    )
    return Part("when", say("When was idle-stop refused?"), _answer(view), (shown,))


def _answer(view: View) -> str:
    account, say = view.account, view.say
    idle = sum(idle_seconds(one) for one in account.refused)
    stopped = sum(
        ((one.stop_end_ns or one.end_ns) - one.stop_start_ns) / 1e9
        for one in account.standstills
        if one.stop_start_ns is not None
    )
    refused = account.refused
    if account.battery_only:
        return say("Refusals cannot be seen here; the engine stood still for {t} in all.", t=say.duration(stopped))
    if not refused:
        return say(
            "No standstill was refused; the engine stood still for {stopped} in all.", stopped=say.duration(stopped)
        )
    first, last = refused[0], refused[-1]
    if len(refused) == 1:
        return say(
            "The one refusal was at {when}; a stop would have saved {idle} of idling.",
            when=view.when(first.start_ns),
            idle=say.duration(idle),
        )
    return say(
        "The first of {n} refusals ({sought} stops were expected) was at {first}, the last at {last}; stops would "
        "have saved {idle} of idling.",
        n=len(refused),
        sought=sought(account),
        first=view.when(first.start_ns),
        last=view.when(last.start_ns),
        idle=say.duration(idle),
    )


def standstill_table(view: View) -> Table:
    """One row a standstill."""
    say = view.say
    columns = [
        Column(say("No."), numeric=True),
        Column(say("Outcome")),
        Column(say("Not met")),
        Column(say("Value and limit")),
        Column(say("Start")),
        Column(say("Length"), "s", numeric=True),
        Column(say("Ended by")),
        Column(say("Not visible")),
    ]
    standstills = view.account.standstills
    rows = [_row(place, one, view) for place, one in enumerate(standstills[:MOST_ROWS])]
    left = len(standstills) - len(rows)
    more = [say("{n} further standstills are left out here; analysis.json holds all.", n=left)] if left else []
    more += _second_levels(view)
    return table("standstills", say("All standstills of the recording"), columns, rows, " ".join(more))


def _second_levels(view: View) -> list[str]:
    """What a limit means that is not the condition's own: the level it must come back to."""
    say = view.say
    met = {reason.condition: reason for one in view.account.standstills for reason in one.reasons}
    lines = []
    for rule in view.conditions:
        limit = rule.at_least if rule.at_least is not None else rule.at_most
        if limit is None or not rule.hysteresis or rule.name not in met:
            continue
        back = limit + (rule.hysteresis if rule.at_least is not None else -rule.hysteresis)
        unit = met[rule.name].unit
        lines.append(
            say(
                "“{condition}” has two levels: not met past {limit}, and from then on until it is back at {back}.",
                condition=say.name(rule.name),
                limit=quantity(limit, unit, say),
                back=quantity(back, unit, say),
            )
        )
    return lines


def _row(place: int, one: Standstill, view: View) -> list[Cell]:
    say = view.say
    mark = STATES[state_of(one)]
    ended = {"driver": say("driver"), "system": say("vehicle"), "unknown": "–"}[one.ended_by]
    why = [failing(reason, say) for reason in one.reasons]
    if one.not_sought_because is not None:
        why.append(say.text(one.not_sought_because))
    when = view.clock.iso(one.start_ns) or f"{view.clock.seconds(one.start_ns):.3f}"
    return [
        Cell(str(place + 1), place + 1, key=place),
        Cell(f"{mark.sign} {say(mark.word)}", one.outcome),
        word("; ".join(why) or "–"),
        word("; ".join(against(reason, say) for reason in one.reasons) or "–"),
        Cell(view.when(one.start_ns), when),
        number(one.seconds, 0, say),
        word(ended),
        word(", ".join(say.name(name) for name in one.unknown_conditions) or "–"),
    ]
