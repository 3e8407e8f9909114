"""Part 2: when was idle-stop refused?"""

from __future__ import annotations

from idle_stop.account import Standstill
from idle_stop.cures import idle_seconds
from reports.failing import against, failing, quantity
from reports.figures.band import standstill_band
from reports.folds import focus
from reports.language import Language
from reports.part import Part, Shown
from reports.table import Cell, Column, Table, numbers, texts
from reports.theme import STATES, state_of
from reports.view import View

_MOST_ROWS = 3000


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
    near = focus(view)
    caption = [
        say(
            "Each sign is one standstill. Touch or point at one, or choose one below, and its signals are shown. Drag "
            "over a stretch to enlarge it in all pictures over time; double-click shows all of the recording, to scale."
        )
    ]
    if any(one.kind == "parked" for one in view.estimate.phases):
        caption.append(say("Shaded: parked."))
    if near and near.folds:
        caption.append(say("A dotted line stands for the time written above it, which is left out."))
    shown = Shown(standstill_band(view), say("Standstills by outcome"), " ".join(caption), standstill_table(view))
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
        sought=len(account.asked),
        first=view.when(first.start_ns),
        last=view.when(last.start_ns),
        idle=say.duration(idle),
    )


def standstill_table(view: View) -> Table:
    """One row a standstill."""
    say, standstills = view.say, view.account.standstills
    shown = standstills[:_MOST_ROWS]
    marks = [STATES[state_of(one)] for one in shown]
    values = ["; ".join(against(reason, say) for reason in one.reasons) for one in shown]
    ended = {"driver": say("driver"), "system": say("vehicle"), "unknown": "–"}
    columns = [
        Column(say("No."), [Cell(str(n + 1), n + 1, key=n) for n in range(len(shown))], numeric=True),
        Column(
            say("Outcome"),
            [Cell(f"{mark.sign} {say(mark.word)}", one.outcome) for mark, one in zip(marks, shown, strict=True)],
        ),
        texts(say("Not met"), ["; ".join(_why(one, say)) or "–" for one in shown]),
        texts(say("Value and limit"), [one or "–" for one in values]),
        view.moments(say("Start"), [one.start_ns for one in shown]),
        numbers(say, say("Length"), [one.seconds for one in shown], 0, "s"),
        texts(say("Ended by"), [ended[one.ended_by] for one in shown]),
        texts(say("Not visible"), [", ".join(map(say.name, one.unknown_conditions)) or "–" for one in shown]),
    ]
    left = len(standstills) - len(shown)
    more = [say("{n} further standstills are left out here; analysis.json holds all.", n=left)] if left else []
    more += _second_levels(view)
    return Table("standstills", say("All standstills of the recording"), columns, " ".join(more))


def _why(one: Standstill, say: Language) -> list[str]:
    because = [say.text(one.not_sought_because)] if one.not_sought_because is not None else []
    return [*(failing(reason, say) for reason in one.reasons), *because]


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
