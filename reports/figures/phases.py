"""Parking as shading behind pictures over time."""

from __future__ import annotations

from reports.picture import Canvas
from reports.theme import GREY
from reports.view import View

_SHOWN = 400  # shaded stretches; shorter ones beyond that are left out


def shade_parking(canvas: Canvas, view: View) -> None:
    """Shade each stretch in which the vehicle was parked, the longest first if there are many."""
    parked = [phase for phase in view.estimate.phases if phase.kind == "parked"]
    for phase in sorted(parked, key=lambda phase: -phase.seconds)[:_SHOWN]:
        canvas.span(view.instant(phase.start_ns), view.instant(phase.end_ns), GREY)
