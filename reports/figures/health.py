"""How healthy is the battery?"""

from __future__ import annotations

import math

import numpy as np

from estimator.cranking import rated_resistance
from reports.picture import Picture, Row
from reports.theme import BLUE, Mark
from reports.view import View, span_of


def expected_resistance_mohm(view: View) -> float:
    """What the cold-cranking rating lets expect of the resistance [mOhm]; NaN without a rating."""
    battery = view.analysis.platform.battery
    return rated_resistance(battery) * 1000 if battery.cold_cranking_a else math.nan


def health_against_rating(view: View) -> Picture | None:
    """How healthy is the battery? Capacity and resistance with their bands, in percent of what the rating says."""
    estimate, say = view.estimate, view.say
    rated, usual = view.analysis.platform.battery.capacity_nominal, expected_resistance_mohm(view)
    known = [  # name, figure, what 100 % is in its unit and in words
        (name, figure, whole, words)
        for name, figure, whole, words in (
            (say("capacity"), estimate.capacity_ah, rated, say("100 %: {rated:.0f} Ah, its rating", rated=rated)),
            (
                say("resistance"),
                estimate.resistance_mohm,
                usual,
                say("100 %: {usual:.1f} mΩ, a rule of thumb", usual=usual),
            ),
        )
        if figure.is_known and math.isfinite(whole)
    ]
    if not known:
        return None
    bands = [np.array([figure.low, figure.value, figure.high]) / whole * 100 for _, figure, whole, _ in known]
    low, high = span_of(*bands, np.array([70.0, 130.0]))
    left = max(low, 0.0)
    places = [float(place) for place in reversed(range(len(known)))]
    row = Row(say("Against the rating"), 20 + 70 * len(known), (-0.6, len(known) - 0.2), dict.fromkeys(places, ""))
    canvas = view.over("health", [row], say("Percent"), (left, high), left=16)
    canvas.moment(100.0, known[0][3] if len(known) == 1 else "100 %")
    mark = Mark(BLUE, "diamond", "◆", "estimate")
    for (name, *_), (low, value, high), place in zip(known, bands, places, strict=True):
        first = place == places[0]
        canvas.line(0, [low, high], [place, place], say("95 % band"), BLUE, width=5, legend=first, value="%{x:.0f} %")
        words = [f"{name}: {say.number(value)} %"]
        canvas.marks(0, [value], [place], say(mark.word), mark, words=words, size=13, legend=first)
        canvas.label(0, left, place + 0.2, name)
    return canvas.done()
