"""How sound is the data?"""

from __future__ import annotations

import numpy as np

from decoder.frames import Int64Array
from decoder.recording import Trace
from reports.picture import Picture, Row
from reports.role_words import role_words
from reports.theme import BLUE, VERMILLION, Mark
from reports.view import View
from signal_defs.roles import REQUIRED_ROLES

_LANE = 34
_MOST_LANES = 14
_ALIKE = 200  # two signals share a line if their stretches differ by less than this part of the recording


def signal_coverage(view: View) -> Picture | None:
    """How sound is the data? Where each signal has valid samples; gaps stay empty; clock steps are marked.

    Signals that are known at the same times share a line, the least complete first.
    """
    recording, say = view.analysis.recording, view.say
    known = _lanes(view)[:_MOST_LANES]
    missing = [role for role in recording.faults.never_seen if role not in recording.traces]
    lanes = [*(roles for roles, _ in known), *([missing] if missing else [])]
    if not lanes:
        return None
    places = [float(place) for place in reversed(range(len(lanes)))]
    row = Row(say("Signals"), _LANE * len(lanes) + 16, (-0.6, len(lanes) - 0.3), dict.fromkeys(places, ""))
    canvas = view.over_time("coverage", [row], left=16)
    for place, (roles, ends) in zip(places, known, strict=False):
        y = np.where(np.arange(len(ends)) % 3 == 2, np.nan, place - 0.25)
        names = say.list([role_words(role, say) for role in roles], limit=8)
        first = place == places[0]
        canvas.line(0, view.clock.axis(ends), y, say("valid samples"), BLUE, width=5, legend=first, value=names)
    start = view.instant(recording.start_ns)
    for place, roles in zip(places, lanes, strict=True):
        more = [say("{n} more", n=len(roles) - 1)] if len(roles) > 1 else []
        canvas.label(0, start, place - 0.2, say.list([role_words(roles[0], say), *more]))
    if missing:
        mark = Mark(VERMILLION, "x", "✖", "never seen")
        words = [say.list([role_words(role, say) for role in missing], limit=8)]
        canvas.marks(0, [start], [places[-1] - 0.25], say(mark.word), mark, words=words)
    for step in recording.faults.clock_steps_ns[:20]:
        canvas.moment(view.instant(step), say("clock step"))
    return canvas.done()


def _lanes(view: View) -> list[tuple[list[str], Int64Array]]:
    """Roles that are known at the same times, what every answer needs first; with the stretches [ns] of the first."""
    recording = view.analysis.recording
    needed = [*sorted(REQUIRED_ROLES), "vehicle_speed", "engine_speed", *(one.role for one in view.conditions)]
    grain = max((recording.end_ns - recording.start_ns) // _ALIKE, 1)
    lanes: list[tuple[list[str], Int64Array]] = []
    for role in dict.fromkeys([*needed, *sorted(recording.traces)]):
        if role in recording.traces:
            ends = _stretches(recording.traces[role], view)
            alike = (roles for roles, other in lanes if len(other) == len(ends) and (abs(other - ends) < grain).all())
            lane = next(alike, None)
            if lane is None:
                lanes.append(([role], ends))
            else:
                lane.append(role)
    return sorted(lanes, key=lambda lane: int((lane[1][1::3] - lane[1][::3]).sum()))


def _stretches(trace: Trace, view: View) -> Int64Array:
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
