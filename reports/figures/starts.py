"""How did the engine start?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from decoder.frames import FloatArray
from decoder.recording import Trace
from estimator.estimate import Start
from reports.picture import Canvas, Picture, Row
from reports.theme import BLUE, INK, PURPLE, Mark
from reports.view import View, span_of

_BEFORE_S, _AFTER_S = 0.3, 2.0
_SHOWN = 40  # cranks laid over each other: all first starts, then restarts, the deepest dips first
KINDS = {
    "first": Mark(BLUE, "circle", "●", "key start"),
    "restart": Mark(PURPLE, "diamond", "◆", "restart by idle-stop"),
}


def cranks_overlaid(view: View) -> Picture | None:
    """How did the engine start? Voltage and current of each crank, counted from the starter's first instant."""
    traces = view.analysis.recording.traces
    voltage, current = traces.get("battery_voltage"), traces.get("battery_current")
    starts = sorted(view.estimate.starts, key=lambda one: (one.kind != "first", one.min_v))[:_SHOWN]
    if not starts or voltage is None:
        return None
    cut = [(start, _cut(voltage, start), _cut(current, start)) for start in starts]
    rows = [
        Row(view.say("Battery voltage [V]"), 180, span_of(*(volts[1] for _, volts, _ in cut), least=1.0)),
        Row(view.say("Battery current [A]"), 160, span_of(*(amps[1] for _, _, amps in cut), least=20.0)),
    ]
    canvas = view.over("cranks", rows, view.say("Time from the start of the crank [s]"), (-_BEFORE_S, _AFTER_S))
    seen: set[str] = set()
    for start, volts, amps in cut:
        mark = KINDS[start.kind]
        name = view.say(mark.word)
        dash = "solid" if start.kind == "first" else "dot"
        at = view.when(start.start_ns)
        new = start.kind not in seen
        seen.add(start.kind)
        canvas.line(0, *volts, name, mark.colour, dash=dash, value=f"{at}, %{{y:.2f}} V", legend=new)
        canvas.line(1, *amps, name, mark.colour, dash=dash, value=f"{at}, %{{y:.0f}} A", legend=False)
    limit = view.analysis.platform.idle_stop.restart_min_v
    if limit is not None:
        canvas.level(0, limit, view.say("limit at a restart {limit:.1f} V", limit=limit))
    return canvas.done()


def _cut(trace: Trace | None, start: Start) -> tuple[FloatArray, FloatArray]:
    """Seconds from the crank's start, and values, of the samples around it."""
    if trace is None:
        return np.array([]), np.array([])
    low, high = start.start_ns - int(_BEFORE_S * 1e9), start.start_ns + int(_AFTER_S * 1e9)
    first, last = np.searchsorted(trace.time_ns, (low, high))
    seconds = (trace.time_ns[first:last] - start.start_ns) / 1e9
    return seconds, np.where(trace.valid[first:last], trace.value[first:last], np.nan)


def lowest_voltage_by_temperature(view: View) -> Picture | None:
    """Does it dip deeper in the cold? Lowest voltage of each crank against the battery's temperature."""
    starts = [one for one in view.estimate.starts if math.isfinite(one.min_v) and math.isfinite(one.temperature_c)]
    if len(starts) < 2:
        return None
    volts = [one.min_v for one in starts]
    temperatures = [one.temperature_c for one in starts]
    limit = view.analysis.platform.idle_stop.restart_min_v
    span = span_of(np.array([*volts, limit or math.nan]), least=1.0)
    canvas = view.over(
        "dips",
        [Row(view.say("Lowest voltage observed [V]"), 220, span)],
        view.say("Battery temperature [°C]"),
        span_of(np.array(temperatures), least=10.0),
    )
    words = [
        view.say(
            "{when}: {volts:.2f} V at {temperature:.0f} °C",
            when=view.when(one.start_ns),
            volts=one.min_v,
            temperature=one.temperature_c,
        )
        for one in starts
    ]
    _by_kind(canvas, view, starts, np.array(temperatures), volts, words)
    if limit is not None:
        canvas.level(0, limit, view.say("limit at a restart {limit:.1f} V", limit=limit))
    return canvas.done()


def _by_kind(
    canvas: Canvas, view: View, starts: Sequence[Start], x: Any, y: Sequence[float], words: Sequence[str]
) -> None:
    """A mark for each start, by its kind."""
    for kind, mark in KINDS.items():
        chosen = [place for place, one in enumerate(starts) if one.kind == kind]
        if chosen:
            shown = [words[place] for place in chosen]
            canvas.marks(0, x[chosen], [y[place] for place in chosen], view.say(mark.word), mark, words=shown, size=10)


def resistance_over_time(view: View) -> Picture | None:
    """Is it getting worse? Resistance seen at each crank, with its band, over the recording."""
    starts = [one for one in view.estimate.starts if one.resistance_mohm.is_known]
    if len(starts) < 3:
        return None
    figures = [one.resistance_mohm for one in starts]
    span = span_of(np.array([[one.low, one.high] for one in figures]).ravel(), least=2.0)
    canvas = view.over_time("resistance", [Row(view.say("Resistance [mΩ]"), 180, (max(span[0], 0.0), span[1]))])
    at = view.clock.axis(np.array([one.start_ns for one in starts], dtype=np.int64))
    whiskers = np.array([(one.low, one.high, math.nan) for one in figures]).ravel()
    canvas.line(0, np.repeat(at, 3), whiskers, view.say("95 % band"), INK, width=1.2, legend=False)
    words = [view.say.figure(one, 1, "mΩ") for one in figures]
    _by_kind(canvas, view, starts, at, [one.value for one in figures], words)
    return canvas.done()
