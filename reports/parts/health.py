"""Part 7: how healthy is the battery?"""

from __future__ import annotations

import math

from estimator.estimate import Figure
from idle_stop.findings.facts import HIGH_RESISTANCE
from reports.figures.health import expected_resistance_mohm, health_against_rating
from reports.part import Part, Shown
from reports.parts.sensor import change_lines, sensor_table
from reports.table import Table, numbers, texts
from reports.view import View
from signal_defs.text import Text

TWO_RESISTANCES = Text(
    "Steps of the load show the fast part of the resistance; that of a crank includes the polarisation that builds up "
    "while the starter turns as well, so the two differ."
)
_PLANNABLE = 5.0  # times; a band that is wider says only where it begins; ours


def health_part(view: View) -> Part:
    """Capacity and resistance against the rating; the next cold start."""
    say = view.say
    shown = Shown(
        health_against_rating(view),
        say("Capacity and resistance against the rating")
        if view.estimate.capacity_ah.is_known
        else say("Resistance against a rule of thumb"),
        _caption(view),
        _table(view),
    )
    sensor = sensor_table(view)
    lines = tuple(filter(None, (_hidden_fade(view), _acceptance(view), _days(view), *change_lines(view))))
    return Part(
        name="health",
        question=say("How healthy is the battery?"),
        answer=_answer(view),
        shown=(shown,),
        tables=(sensor,) if sensor else (),
        notes=_notes(view),
        lines=lines,
    )


def _caption(view: View) -> str:
    """How to read what is drawn."""
    say, estimate = view.say, view.estimate
    lines = []
    if estimate.capacity_ah.is_known:
        lines.append(say("Capacity: 100 % is the rating; more is better, and below 80 % it is worn."))
    if estimate.resistance_mohm.is_known:
        lines.append(
            say(
                "Resistance: 100 % is a rule of thumb, 2.7 V divided by the cold-cranking current; less is better, and "
                "only a band wholly above 150 % counts as high."
            )
        )
    return " ".join(lines)


def _hidden_fade(view: View) -> str:
    """Whether it may hold less than its open-circuit voltage says."""
    say, fade = view.say, view.estimate.fade
    if fade is None or (fade.state == "possible" and not fade.acid_capacity_ah.is_known):
        return ""
    if fade.state == "excluded":
        return say(
            "Lost capacity that open-circuit voltage does not show is ruled out: nearly all the charge was drawn."
        )
    if fade.state == "possible":
        return say(
            "Nothing speaks for lost capacity that open-circuit voltage does not show, but only drawing nearly all "
            "the charge would rule it out. The battery was seen to hold at least {ah:.0f} Ah.",
            ah=fade.proved_ah,
        )
    if fade.state == "seen":
        text = say(
            "The battery has lost capacity in a way that open-circuit voltage alone would hide; charge and capacity "
            "allow for it."
        )
    elif view.estimate.capacity_ah.is_known:
        text = say(
            "The battery has likely lost capacity in a way that open-circuit voltage does not show; the low ends of "
            "charge and capacity allow for it."
        )
    else:
        text = say(
            "How much the battery holds was not measured, but likely less than its open-circuit voltage says; the low "
            "end of the charge allows for it."
        )
    return " ".join((text, *map(say.text, fade.evidence)))


def _acceptance(view: View) -> str:
    """The charging current it takes, and at what."""
    say, at = view.say, view.estimate.charge_acceptance_at
    if at is None:
        return ""
    where = [f"{say.number(at.voltage, 1)} V", say("{soc:.0f} % charge", soc=at.soc)]
    if math.isfinite(at.temperature_c):
        where.append(f"{say.number(at.temperature_c)} °C")
    return say.many(
        "Charge acceptance, the charging current for each rated Ah, was {taken} in one drive, at {where}. It "
        "compares only with a value at like charge and temperature.",
        "Charge acceptance, the charging current for each rated Ah, was {taken} in the middle of {n} drives, "
        "typically at {where}. It compares only with a value at like charge and temperature.",
        at.drives,
        taken=say.figure(view.estimate.charge_acceptance_a_per_ah, 2, "A/Ah"),
        where=say.list(where),
    )


def _days(view: View) -> str:
    """How long it may stand; what is too uncertain to plan by is left out."""
    say, estimate = view.say, view.estimate
    already = estimate.days_to_idle_stop_limit
    limit, start = _days_words(already, view), _days_words(estimate.days_to_no_start, view)
    if not start:
        return ""
    if already.value < 0.5:
        return say(
            "The charge is too low for idle-stop already; parked as it was, a start would be unsure after {start}."
            if already.high < 0.5
            else "The charge may be too low for idle-stop already; parked as it was, a start would be unsure after "
            "{start}.",
            start=start,
        )
    return say(
        "Parked as it was, the charge would be too low for idle-stop after {limit}, and for a sure start after {start}."
        if limit
        else "Parked as it was, a start would be unsure after {start}.",
        limit=limit,
        start=start,
    )


def _days_words(days: Figure, view: View) -> str:
    """Days with their band; where the band is too wide to plan by, its lower end alone, and "" if that is nothing."""
    if days.is_known and days.high <= _PLANNABLE * max(days.low, 1.0):
        return view.say.figure(days, 0, "d")
    if not days.is_known or days.low < 3.0:
        return ""
    return view.say("{n} d at the least", n=round(days.low))


def _answer(view: View) -> str:
    say, estimate = view.say, view.estimate
    if estimate.soh_percent.is_known:
        capacity = say("it holds {soh} of its rated capacity", soh=say.figure(estimate.soh_percent, 0, "%"))
    else:
        capacity = say("its capacity is unknown")
    resistance = _resistance(view) if estimate.resistance_mohm.is_known else say("its resistance is unknown")
    if estimate.next_crank_min_v.is_known:
        dip = say.figure(estimate.next_crank_min_v, 1, "V")
        cold = estimate.next_crank_temperature_c
        if math.isfinite(cold):
            crank = say("the next start at {t:.0f} °C should dip to {dip}", t=cold, dip=dip)
        else:
            crank = say("the next start should dip to {dip}", dip=dip)
    else:
        crank = say("the dip of the next start cannot be told")
    sentence = f"{capacity}; {resistance}; {crank}."
    return sentence[0].upper() + sentence[1:]


def _resistance(view: View) -> str:
    """The resistance, and where the rating allows it whether that is much."""
    say, found = view.say, view.estimate.resistance_mohm
    words = say("its resistance is {r}", r=say.figure(found, 1, "mΩ"))
    usual = expected_resistance_mohm(view)
    if math.isnan(usual):
        return words
    limit = HIGH_RESISTANCE * usual
    if found.low > limit:
        return say("{words}, which is high", words=words)
    if found.high <= limit:
        return say("{words}, which is in order", words=words)
    return say("{words}, which is not clearly high", words=words)


def _figures(view: View) -> list[tuple[str, Figure, int, str, float | None]]:
    """Name, figure, decimals, unit, what the rating or the platform says, if anything."""
    say, estimate = view.say, view.estimate
    battery, usual = view.analysis.platform.battery, expected_resistance_mohm(view)
    limit = view.analysis.platform.idle_stop.restart_min_v
    return [
        (say("Capacity"), estimate.capacity_ah, 0, "Ah", battery.capacity_nominal),
        (say("Capacity, of the rated"), estimate.soh_percent, 0, "%", 100.0),
        (say("Resistance at 25 °C"), estimate.resistance_mohm, 1, "mΩ", None if math.isnan(usual) else usual),
        (say("Resistance from load steps, its fast part"), estimate.load_step_resistance_mohm, 1, "mΩ", None),
        (say("Lowest voltage of the next start"), estimate.next_crank_min_v, 1, "V", limit),
        (say("Charge acceptance"), estimate.charge_acceptance_a_per_ah, 2, "A/Ah", None),
        (say("Offset of the current sensor"), estimate.current_offset_a, 3, "A", 0.0),
        (say("Days parked until too low for idle-stop"), estimate.days_to_idle_stop_limit, 0, "d", None),
        (say("Days parked until a start is unsure"), estimate.days_to_no_start, 0, "d", None),
    ]


def _table(view: View) -> Table:
    say, rows = view.say, _figures(view)
    digits = [row[2] for row in rows]
    columns = [
        texts(say("Figure"), [row[0] for row in rows]),
        texts(say("Unit"), [row[3] for row in rows]),
        numbers(say, say("Value"), [row[1].value for row in rows], digits),
        numbers(say, say("low"), [row[1].low for row in rows], digits),
        numbers(say, say("high"), [row[1].high for row in rows], digits),
        numbers(say, say("Rating or limit"), [row[4] for row in rows], digits),
    ]
    both = view.estimate.resistance_mohm.is_known and view.estimate.load_step_resistance_mohm.is_known
    more = say.text(TWO_RESISTANCES) if both else ""
    return Table("health", say("Figures of the battery, with their 95 % bands"), columns, more)


def _notes(view: View) -> tuple[str, ...]:
    """Why a figure is unknown, by its name; a reason that several share stands once."""
    why: dict[str, str] = {}
    for name, figure, *_ in _figures(view):
        if not figure.is_known and figure.unknown is not None:
            why.setdefault(view.say.text(figure.unknown), name)
    return tuple(view.say("{name} is unknown: {why}", name=name, why=said) for said, name in why.items())
