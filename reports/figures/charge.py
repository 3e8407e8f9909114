"""Was the battery full enough for idle-stop?"""

from __future__ import annotations

import math

import numpy as np

from reports.figures.phases import shade_parking
from reports.picture import Canvas, Picture, Row
from reports.theme import BLUE, GREY, ROLE_COLOURS, Mark
from reports.thinning import thin, thin_columns
from reports.view import View, span_of

POINTS = 3000
_SETTLED = {
    "settled": Mark(BLUE, "circle", "●", "from the rest voltage"),
    "upper": Mark(BLUE, "triangle-down", "▼", "from the rest voltage, at most"),
    "lower": Mark(BLUE, "triangle-up", "▲", "from the rest voltage, at least"),
    "unknown": Mark(BLUE, "circle-open", "○", "from the rest voltage, not settled"),
}


def soc_threshold(view: View) -> float:
    """State of charge that the platform asks for a stop [%]; NaN where it asks for none."""
    limits = [
        one.at_least
        for one in view.conditions
        if one.role == "battery_soc" and one.at_least is not None and one.applies_to != "restart"
    ]
    return max(limits, default=math.nan)


def charge_over_time(view: View) -> Picture:
    """Was the battery full enough for idle-stop? Estimate with band, rests, threshold, the sensor's own; voltage."""
    say, estimate, traces = view.say, view.estimate, view.analysis.recording.traces
    limit = soc_threshold(view)
    own, voltage = traces.get("battery_soc"), traces.get("battery_voltage")
    shown = [estimate.soc_low, estimate.soc_high, np.array([limit])]
    if own is not None:
        shown.append(own.value)
    low, high = span_of(*shown, least=20.0)
    rows = [Row(say("State of charge [%]"), 250, (max(low, -5.0), min(high, 110.0)))]
    if voltage is not None:
        rows.append(Row(say("Battery voltage [V]"), 130, span_of(voltage.value, least=1.0)))
    canvas = view.over_time("charge", rows)
    shade_parking(canvas, view)
    _estimate(canvas, view)
    if own is not None:
        time, value = thin(own, POINTS, gap_s=view.silence_s(own))
        name = say("the sensor's own figure")
        canvas.line(0, view.clock.axis(time), value, name, GREY, dash="dash", width=1.8, value="%{y:.0f} %")
    _anchors(canvas, view)
    if math.isfinite(limit):
        canvas.level(0, limit, say("idle-stop from {limit:.0f} %", limit=limit))
    if voltage is not None:
        time, value = thin(voltage, POINTS, gap_s=view.silence_s(voltage))
        colour = ROLE_COLOURS["battery_voltage"]
        name = say("battery voltage")
        canvas.line(1, view.clock.axis(time), value, name, colour, width=1.1, value="%{y:.2f} V", legend=False)
    return canvas.done()


def _estimate(canvas: Canvas, view: View) -> None:
    estimate, say = view.estimate, view.say
    step = max(1, math.ceil(len(estimate.time_ns) / 1200))
    at = view.clock.axis(estimate.time_ns[::step])
    canvas.band(0, at, estimate.soc_low[::step], estimate.soc_high[::step], say("95 % band"), BLUE)
    time, soc = thin_columns(estimate.time_ns, estimate.soc, 1500, gap_s=math.inf)
    canvas.line(0, view.clock.axis(time), soc, say("estimate"), BLUE, width=2.2, value="%{y:.0f} %")


def _anchors(canvas: Canvas, view: View) -> None:
    known = [rest for rest in view.estimate.rests if rest.soc_from_ocv.is_known]
    for kind, mark in _SETTLED.items():
        rests = [rest for rest in known if rest.settled == kind]
        if not rests:
            continue
        ends = np.array([rest.end_ns for rest in rests], dtype=np.int64)
        words = [
            view.say(
                "{when}: {soc} at rest with {volts:.2f} V",
                when=view.when(rest.end_ns),
                soc=view.say.figure(rest.soc_from_ocv, 0, "%"),
                volts=rest.end_v,
            )
            for rest in rests
        ]
        values = [rest.soc_from_ocv.value for rest in rests]
        canvas.marks(0, view.clock.axis(ends), values, view.say(mark.word), mark, words=words, size=10)
