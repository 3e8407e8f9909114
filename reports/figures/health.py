"""How healthy is the battery?"""

from __future__ import annotations

import math
from dataclasses import dataclass

from estimator.cranking import rated_resistance
from estimator.estimate import Figure
from reports.picture import Picture, Row
from reports.theme import BLUE, Mark
from reports.view import View, span_of


def expected_resistance_mohm(view: View) -> float:
    """What the cold-cranking rating lets expect of the resistance [mOhm]; NaN without a rating."""
    battery = view.analysis.platform.battery
    return rated_resistance(battery) * 1000 if battery.cold_cranking_a else math.nan


@dataclass(frozen=True, slots=True)
class _Scale:
    name: str
    figure: Figure
    per: float  # 100 % in the figure's unit
    whole: str  # what 100 % is


def health_against_rating(view: View) -> Picture | None:
    """How healthy is the battery? Capacity and resistance with their bands, in percent of what the rating says."""
    estimate, say = view.estimate, view.say
    rated, usual = view.analysis.platform.battery.capacity_nominal, expected_resistance_mohm(view)
    whole = say("100 %: {rated:.0f} Ah, its rating", rated=rated)
    thumb = say("100 %: {usual:.1f} mΩ, a rule of thumb", usual=usual)
    scales = [
        _Scale(say("capacity"), estimate.capacity_ah, rated, whole),
        _Scale(say("resistance"), estimate.resistance_mohm, usual, thumb),
    ]
    scales = [one for one in scales if one.figure.is_known and math.isfinite(one.per)]
    if not scales:
        return None
    places = [float(len(scales) - 1 - number) for number in range(len(scales))]
    row = Row(say("Against the rating"), 20 + 70 * len(scales), (-0.6, len(scales) - 0.2), dict.fromkeys(places, ""))
    import numpy as np

    ends = [part / one.per * 100 for one in scales for part in (one.figure.low, one.figure.high, one.figure.value)]
    low, high = span_of(np.array([*ends, 70.0, 130.0]))
    canvas = view.over("health", [row], say("Percent"), (max(low, 0.0), high), left=16)
    canvas.moment(100.0, scales[0].whole if len(scales) == 1 else "100 %")
    for one, place in zip(scales, places, strict=True):
        low, high, value = (part / one.per * 100 for part in (one.figure.low, one.figure.high, one.figure.value))
        first = place == places[0]
        canvas.line(0, [low, high], [place, place], say("95 % band"), BLUE, width=5, legend=first, value="%{x:.0f} %")
        words = [f"{one.name}: {say.number(value)} %"]
        mark = Mark(BLUE, "diamond", "◆", "estimate")
        canvas.marks(0, [value], [place], say(mark.word), mark, words=words, size=13, legend=first)
        canvas.label(0, canvas.layout["xaxis"]["range"][0], place + 0.2, one.name)
    return canvas.done()
