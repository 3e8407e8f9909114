"""Part 4: was the battery full enough?"""

from __future__ import annotations

import math

from reports.figures.charge import charge_over_time, soc_threshold
from reports.part import Part, Shown
from reports.table import Table, numbers
from reports.view import View

_ROWS = 200


def charge_part(view: View) -> Part:
    """Charge over the recording."""
    say, estimate = view.say, view.estimate
    shown = Shown(
        charge_over_time(view),
        say("State of charge and voltage over the recording"),
        say("Of this recording only the voltage can be drawn.")
        if not len(estimate.time_ns)
        else say(
            "The line is estimated from current and rest voltages, from what came before and after; the true value "
            "lies in the band 95 times of 100. Its figure is charge left in percent of the capacity the battery has "
            "now."
        ),
        _table(view),
    )
    notes = [say.text(one.unknown) for one in (estimate.soc_start, estimate.soc_min) if one.unknown is not None]
    return Part(
        "charge", say("Was the battery full enough?"), _answer(view), (shown,), notes=tuple(dict.fromkeys(notes))
    )


def _answer(view: View) -> str:
    say, estimate = view.say, view.estimate
    if not estimate.soc_min.is_known:
        return say("Unknown: the state of charge could not be estimated from this recording.")
    lowest, limit = estimate.soc_min, soc_threshold(view)
    values = {
        "start": say.figure(estimate.soc_start, 0, "%"),
        "end": say.figure(estimate.soc_end, 0, "%"),
        "lowest": say.figure(lowest, 0, "%"),
        "limit": limit,
    }
    if not math.isfinite(limit):
        return say("The charge went from {start} to {end}, lowest {lowest}.", **values)
    if lowest.low >= limit:
        return say("Yes: it never fell below {lowest}; idle-stop asks for {limit:.0f} %.", **values)
    if lowest.high < limit:
        return say("No: it fell to {lowest}; idle-stop asks for {limit:.0f} %.", **values)
    if lowest.value >= limit:
        return say(
            "Probably: its lowest was {lowest}; only the band reaches below the {limit:.0f} % of idle-stop.", **values
        )
    return say("Probably not: its lowest was {lowest}; only the band reaches the {limit:.0f} % of idle-stop.", **values)


def _table(view: View) -> Table:
    say, estimate = view.say, view.estimate
    step = max(1, math.ceil(len(estimate.time_ns) / _ROWS))
    at = estimate.time_ns[::step]
    own = view.analysis.recording.traces.get("battery_soc")
    columns = [
        view.moments(say("Time"), at.tolist()),
        numbers(say, say("Estimate"), estimate.soc[::step], 0, "%"),
        numbers(say, say("low"), estimate.soc_low[::step], 0, "%"),
        numbers(say, say("high"), estimate.soc_high[::step], 0, "%"),
        numbers(say, say("Sensor's own"), own.held(at) if own is not None else [math.nan] * len(at), 0, "%"),
    ]
    more = say("Every {n}th value; `idlewhy report --traces` writes all.", n=step) if step > 1 else ""
    return Table("charge", say("State of charge over the recording"), columns, more)
