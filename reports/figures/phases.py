"""Parking as shading behind pictures over time."""

from __future__ import annotations

from collections.abc import Sequence

from reports.folds import Fold
from reports.picture import Canvas
from reports.theme import GREY
from reports.view import View

_SHOWN = 400  # shaded stretches; shorter ones beyond that are left out


def shade_parking(canvas: Canvas, view: View, folds: Sequence[Fold] = ()) -> None:
    """Shade each stretch in which the vehicle was parked, the longest first if there are many.

    A folded stretch is shaded whole: an edge of a shade must not lie where the axis has been cut.
    """
    parked = [(one.start_ns, one.end_ns) for one in view.estimate.phases if one.kind == "parked"]
    folded = [(one.whole_from_ns, one.whole_to_ns) for one in folds]
    parked = [
        (start, end) for start, end in parked if not any(start < until and end > begin for begin, until in folded)
    ]
    for start, end in sorted([*parked, *folded], key=lambda span: span[0] - span[1])[:_SHOWN]:
        canvas.span(view.instant(start), view.instant(end), GREY)
