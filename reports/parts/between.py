"""Part 6: what happens between drives?"""

from __future__ import annotations

import math

from reports.figures.between import drive_balance, is_long, parked_current
from reports.part import Part, Shown
from reports.table import Table, figures, numbers, texts
from reports.view import View


def between_part(view: View) -> Part:
    """Rests and their draw; charge returned and drawn by each drive."""
    say = view.say
    shown = []
    parked, balance = parked_current(view), drive_balance(view)
    if parked is not None:
        shown.append(
            Shown(
                parked,
                say("Current drawn while parked"),
                _parked_words(view),
                _rests(view),
            )
        )
    if balance is not None:
        shown.append(
            Shown(
                balance,
                say("Charge of each drive"),
                say("What each drive put into the battery and took out of it, and what was left over."),
                _drives(view),
            )
        )
    return Part("between", say("What happens between drives?"), _answer(view), tuple(shown), notes=_notes(view))


def _parked_words(view: View) -> str:
    """What is drawn of the rests."""
    say, rests = view.say, view.estimate.rests
    slept = any(math.isfinite(one.asleep_ma) for one in rests)
    if slept and any(is_long(one) for one in rests):
        return say(
            "As the sensor reads it: mean over the whole time parked (rests of 2 h and more), and once asleep, "
            "for which the limits are. Far apart: it falls asleep late, or something wakes it up."
        )
    if slept:
        return say("As the sensor reads it, once asleep.")
    return say("As the sensor reads it: mean over the whole time parked; the limits are those of sleep.")


def _answer(view: View) -> str:
    say, estimate = view.say, view.estimate
    drawn = estimate.quiescent_ma
    known = [one for one in estimate.drives if math.isfinite(one.charged_ah) and math.isfinite(one.discharged_ah)]
    if drawn.is_known:
        read = _read_ma(view)
        parked = say(
            "Parked and asleep the vehicle draws {ma:.0f} mA ({low:.0f} to {high:.0f})"
            if math.isnan(read)
            else "Parked and asleep the vehicle draws {low:.0f} to {high:.0f} mA, as the sensor reads {read:.0f} mA "
            "and its zero is not known better",
            read=read,
            ma=max(-drawn.value, 0.0),
            low=max(-drawn.high, 0.0),
            high=max(-drawn.low, 0.0),
        )
    else:
        parked = say("What the vehicle draws while parked is unknown")
    if not known:
        return say("{parked}; no drive could be balanced.", parked=parked)
    net = sum(one.charged_ah - one.discharged_ah for one in known)
    between = estimate.charged_ah - estimate.discharged_ah - net
    if not math.isfinite(between):
        return say("{parked}; the drives left {net:+.1f} Ah in the battery.", parked=parked, net=net)
    return say(
        "{parked}; the drives changed its charge by {net:+.1f} Ah, the time between them by {between:+.1f} Ah.",
        parked=parked,
        net=net,
        between=between,
    )


def _notes(view: View) -> tuple[str, ...]:
    why = view.estimate.quiescent_ma.unknown
    notes = [] if why is None else [view.say.text(why)]
    wakes = [wake for rest in view.estimate.rests for wake in rest.wake_ups]
    woken, left_on = ([wake.charge_ah for wake in wakes if wake.left_on is on] for on in (False, True))
    if woken:
        notes.append(
            view.say.many(
                "The vehicle woke up once while parked and drew {ah:.2f} Ah beyond its sleep level.",
                "The vehicle woke up {n} times while parked and drew {ah:.2f} Ah beyond its sleep level.",
                len(woken),
                ah=sum(woken),
            )
        )
    if left_on:
        notes.append(
            view.say.many(
                "Once something was left on while parked, such as lamps, and drew {ah:.1f} Ah.",
                "{n} times something was left on while parked, such as lamps, and drew {ah:.1f} Ah in all.",
                len(left_on),
                ah=sum(left_on),
            )
        )
    return tuple(notes)


def _read_ma(view: View) -> float:
    """What the sensor reads asleep, drawing positive [mA]; NaN where it is known well enough to be the draw."""
    drawn = view.estimate.quiescent_ma
    slept = [(rest.asleep_ma, rest.end_ns - rest.start_ns) for rest in view.estimate.rests]
    slept = [(ma, length) for ma, length in slept if math.isfinite(ma)]
    if not (drawn.is_known and slept):
        return math.nan
    read = sum(ma * length for ma, length in slept) / sum(length for _, length in slept)
    return -read if abs(read - drawn.value) > 0.25 * abs(drawn.value) else math.nan


def _rests(view: View) -> Table:
    say, rests = view.say, view.estimate.rests
    settled = {
        "settled": say("yes"),
        "upper": say("no, an upper bound"),
        "lower": say("no, a lower bound"),
        "unknown": say("unknown"),
    }
    columns = [
        view.moments(say("Start"), [one.start_ns for one in rests]),
        numbers(say, say("Length"), [(one.end_ns - one.start_ns) / 3.6e12 for one in rests], 1, "h"),
        numbers(say, say("Voltage at its end"), [one.end_v for one in rests], 2, "V"),
        figures(say, say("State of charge from it"), [one.soc_from_ocv for one in rests], 0, "%"),
        numbers(say, say("Mean current"), [one.mean_ma for one in rests], 0, "mA"),
        numbers(say, say("Asleep"), [one.asleep_ma for one in rests], 0, "mA"),
        numbers(say, say("Wake-ups"), [len(one.wake_ups) for one in rests]),
        texts(say("Voltage settled"), [settled[one.settled] for one in rests]),
    ]
    return Table("rests", say("All rests"), columns)


def _drives(view: View) -> Table:
    say, drives = view.say, view.estimate.drives
    columns = [
        view.moments(say("Start"), [one.start_ns for one in drives]),
        numbers(say, say("Length"), [(one.end_ns - one.start_ns) / 6e10 for one in drives], 0, "min"),
        numbers(say, say("Distance"), [one.distance_km for one in drives], 1, "km"),
        numbers(say, say("Charged"), [one.charged_ah for one in drives], 2, "Ah"),
        numbers(say, say("Discharged"), [one.discharged_ah for one in drives], 2, "Ah"),
        numbers(say, say("Net"), [one.charged_ah - one.discharged_ah for one in drives], 2, "Ah"),
        numbers(say, say("Highest voltage held"), [one.max_v for one in drives], 2, "V"),
        numbers(say, say("Seen"), [one.coverage * 100 for one in drives], 0, "%"),
    ]
    return Table("drives", say("All drives"), columns)
