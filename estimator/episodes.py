"""Battery changes: where a recording goes over from one battery to another, and how to cut it there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from decoder.frames import FloatArray
from decoder.recording import Recording, Trace
from estimator.cranking import temperature_log_factor
from estimator.cranks import Crank
from estimator.estimate import BatteryChange
from estimator.grid import SECOND_NS, Grid, valid_samples
from signal_defs.text import Text

EACH_SIDE = 5
STEP = 0.20  # relative step of resistance; ageing does that in months, not overnight
CERTAIN = 6.0  # times its standard error
PAUSE_S = 600.0  # nobody changes a battery faster


def find_battery_changes(recording: Recording, grid: Grid, cranks: Sequence[Crank]) -> tuple[BatteryChange, ...]:
    """At most one change: the pause with the clearest step of resistance at 25 degC, five cranks on each side at least.

    The sensor's reset in the same pause is evidence beside it; a reset alone is a lost supply, no change. Cold cannot
    pass for a change: temperature is taken out, and a step that goes with a step in temperature needs to be larger.
    """
    measured = [crank for crank in cranks if crank.resistance > 0 and crank.resistance_sd < 0.1 * crank.resistance]
    if len(measured) < 2 * EACH_SIDE:
        return ()
    rows = np.searchsorted(grid.time_ns, [crank.start_ns for crank in measured]).clip(0, len(grid) - 1)
    temperature = grid.known_temperature()[rows]
    factor = temperature_log_factor(temperature)
    value = np.log([crank.resistance for crank in measured]) - factor
    best = max(
        (
            (_clarity(value, factor, cut), cut)
            for cut, (one, other) in enumerate(pairwise(measured), start=1)
            if other.start_ns - one.end_ns > PAUSE_S * SECOND_NS
        ),
        default=(0.0, 0),
    )
    clarity, cut = best
    if clarity < CERTAIN:
        return ()
    before, after = (1e3 * math.exp(float(np.median(part))) for part in (value[:cut], value[cut:]))
    start_ns, end_ns = measured[cut - 1].end_ns, measured[cut].start_ns
    evidence = [
        Text(
            "Resistance at 25 degC stepped from {before:.1f} to {after:.1f} mOhm between two drives.",
            {"before": before, "after": after},
        )
    ]
    reset_ns, reset = valid_samples(recording.traces.get("battery_sensor_reset"))
    if ((reset > 0.5) & (reset_ns >= start_ns) & (reset_ns <= end_ns + 3600 * SECOND_NS)).any():
        evidence.append(Text("The sensor had lost its supply in the same pause."))
    return (BatteryChange(_longest_silence(grid, start_ns, end_ns), tuple(evidence)),)


def _clarity(value: FloatArray, factor: FloatArray, cut: int) -> float:
    """Step over its standard error; 0 where a side is too short or the step too small."""
    if cut < EACH_SIDE or len(value) - cut < EACH_SIDE:
        return 0.0
    step = abs(float(np.median(value[cut:]) - np.median(value[:cut])))
    by_temperature = 0.3 * abs(float(np.median(factor[cut:]) - np.median(factor[:cut])))
    scatter = [1.4826 * float(np.median(np.abs(part - np.median(part)))) for part in (value[:cut], value[cut:])]
    error = math.sqrt(max(scatter[0], 0.02) ** 2 / cut + max(scatter[1], 0.02) ** 2 / (len(value) - cut))
    return 0.0 if step - by_temperature < STEP else (step - by_temperature) / error


def _longest_silence(grid: Grid, start_ns: int, end_ns: int) -> int:
    """The middle of the longest silence between two instants: a change takes the sensor's supply away."""
    rows = grid.rows(start_ns, end_ns)
    times = grid.time_ns[rows]
    if len(times) < 2:
        return (start_ns + end_ns) // 2
    longest = int(np.argmax(np.diff(times)))
    return int(times[longest] + times[longest + 1]) // 2


def cut_recording(recording: Recording, start_ns: int, end_ns: int) -> Recording:
    """The part of a recording in [start, end); traces are views, faults and sources stay those of the whole."""
    traces = {role: _cut(trace, start_ns, end_ns) for role, trace in recording.traces.items()}
    return replace(
        recording,
        start_ns=max(start_ns, recording.start_ns),
        end_ns=min(end_ns, recording.end_ns),
        traces=traces,
    )


def _cut(trace: Trace, start_ns: int, end_ns: int) -> Trace:
    first, last = np.searchsorted(trace.time_ns, [start_ns, end_ns])
    return replace(
        trace,
        time_ns=trace.time_ns[first:last],
        value=trace.value[first:last],
        valid=trace.valid[first:last],
    )
