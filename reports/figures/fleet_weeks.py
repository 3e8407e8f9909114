"""Where do the stops go? Refused standstills a week by condition, for the whole fleet."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from decoder.frames import FloatArray
from reports.language import Language
from reports.picture import Canvas, Picture, Row
from reports.plain import figure_text
from reports.theme import BLUE, GREEN, GREY, ORANGE, PURPLE, VERMILLION

_COLOURS = (VERMILLION, BLUE, GREEN, PURPLE, ORANGE)


def refusals_by_week(weeks: Sequence[str], names: Sequence[str], counts: FloatArray, say: Language) -> Picture:
    """Bars a week, stacked by condition; past five conditions the rest is one, hatched.

    weeks: (w,) their first days as text. names: (r,) conditions, the most frequent first. counts: (r, w).
    """
    shown = min(len(names), len(_COLOURS))
    rest = counts[shown:].sum(axis=0)
    height = max(float(counts.sum(axis=0).max(initial=0.0)), 1.0)
    row = Row(say("Refused standstills"), 240, (0.0, height * 1.08))
    canvas = Canvas("weeks", [row], x_title=say("Week from [UTC]"), x_span=(-0.6, len(weeks) - 0.4))
    step = max(1, -(-len(weeks) // 8))
    canvas.layout["xaxis"] |= {
        "tickmode": "array",
        "tickvals": list(range(0, len(weeks), step)),
        "ticktext": [weeks[at] for at in range(0, len(weeks), step)],
    }
    at = [float(place) for place in range(len(weeks))]
    base = np.zeros(len(weeks))
    for number in range(shown):
        name = figure_text(names[number])
        canvas.bars(0, counts[number].tolist(), at, name, _COLOURS[number], base=base.tolist(), upright=True)
        base = base + counts[number]
    if rest.any():
        canvas.bars(0, rest.tolist(), at, say("all others"), GREY, base=base.tolist(), upright=True, hatched=True)
    return canvas.done()
