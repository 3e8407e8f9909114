"""Where do the stops go? Refused standstills a week by condition, for the whole fleet."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from decoder.frames import FloatArray
from reports.language import Language
from reports.picture import Canvas, Picture, Row
from reports.theme import BLUE, GREEN, GREY, ORANGE, PURPLE, VERMILLION

_COLOURS = (VERMILLION, BLUE, GREEN, PURPLE, ORANGE)


def refusals_by_week(weeks: Sequence[str], names: Sequence[str], counts: FloatArray, say: Language) -> Picture:
    """Bars a week, stacked by condition; past five conditions the rest is one, hatched.

    weeks: (w,) their first days as text. names: (r,) conditions, the most frequent first. counts: (r, w).
    """
    rest = counts[len(_COLOURS) :].sum(axis=0)
    height = max(float(counts.sum(axis=0).max(initial=0.0)), 1.0)
    row = Row(say("Refused standstills"), 240, (0.0, height * 1.08))
    canvas = Canvas("weeks", [row], x_title=say("Week from [UTC]"), x_span=(-0.6, len(weeks) - 0.4))
    at = [float(place) for place in range(len(weeks))]
    canvas.name_places(at, weeks, 8)
    base = np.zeros(len(weeks))
    for name, colour, count in zip(names, _COLOURS, counts, strict=False):
        canvas.bars(0, count.tolist(), at, name, colour, base=base.tolist(), upright=True)
        base = base + count
    if rest.any():
        canvas.bars(0, rest.tolist(), at, say("all others"), GREY, base=base.tolist(), upright=True, hatched=True)
    return canvas.done()
