"""How sound is the data?"""

from __future__ import annotations

import numpy as np

from decoder.recording import Trace
from reports.picture import Picture, Row
from reports.role_words import role_words
from reports.theme import BLUE, VERMILLION, Mark
from reports.view import View
from signal_defs.roles import REQUIRED_ROLES

_LANE = 24
MOST_LANES = 30


def signal_coverage(view: View) -> Picture | None:
    """How sound is the data? Where each signal has valid samples; gaps stay empty; clock steps are marked."""
    recording = view.analysis.recording
    roles = telling_roles(view)[:MOST_LANES]
    missing = [role for role in recording.faults.never_seen if role not in recording.traces]
    lanes = [*roles, *missing]
    if not lanes:
        return None
    places = {role: float(len(lanes) - 1 - number) for number, role in enumerate(lanes)}
    row = Row(
        view.say("Signals"), _LANE * len(lanes) + 16, (-0.8, len(lanes) - 0.2), dict.fromkeys(places.values(), "")
    )
    canvas = view.over_time("coverage", [row], left=16)
    names = {role: role_words(role, view.say) for role in lanes}
    for number, role in enumerate(roles):
        ends = _stretches(recording.traces[role], view)
        name = view.say("valid samples")
        y = np.where(np.arange(len(ends)) % 3 == 2, np.nan, places[role] - 0.25)
        canvas.line(0, view.clock.axis(ends), y, name, BLUE, width=5, legend=number == 0, value=names[role])
    start = view.instant(recording.start_ns)
    for role in lanes:
        canvas.label(0, start, places[role] - 0.2, names[role])
    if missing:
        mark = Mark(VERMILLION, "x", "✖", "never seen")
        heights = [places[role] - 0.25 for role in missing]
        words = [names[role] for role in missing]
        canvas.marks(0, [start] * len(missing), heights, view.say(mark.word), mark, words=words)
    for step in recording.faults.clock_steps_ns[:20]:
        canvas.moment(view.instant(step), view.say("clock step"))
    return canvas.done()


def telling_roles(view: View) -> list[str]:
    """Roles whose presence matters: those with gaps first, then what every answer needs, then the conditions' own."""
    traces = view.analysis.recording.traces
    gaps = [role for role in sorted(traces) if _has_gap(traces[role], view)]
    needed = [*sorted(REQUIRED_ROLES), "vehicle_speed", "engine_speed", *(one.role for one in view.conditions)]
    return list(dict.fromkeys([*gaps, *(role for role in needed if role in traces)]))


def _has_gap(trace: Trace, view: View) -> bool:
    return not trace.valid.all() or bool((np.diff(trace.time_ns) > view.silence_s(trace) * 1e9).any())


def _stretches(trace: Trace, view: View) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """Start, end and a divider [ns] of each stretch without a gap, in one row; at most 200 stretches."""
    time = trace.time_ns[trace.valid]
    if not len(time):
        return time
    gaps = np.flatnonzero(np.diff(time) > view.silence_s(trace) * 1e9)
    if len(gaps) > 199:
        longest = np.argsort(np.diff(time)[gaps])[::-1][:199]
        gaps = np.sort(gaps[longest])
    starts = time[np.concatenate(([0], gaps + 1))]
    ends = time[np.concatenate((gaps, [len(time) - 1]))]
    return np.stack((starts, ends, ends), axis=1).ravel()
