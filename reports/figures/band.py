"""When was idle-stop refused?"""

from __future__ import annotations

import numpy as np

from idle_stop.account import Standstill
from reports.failing import failing
from reports.figures.phases import shade_parking
from reports.folds import focus
from reports.picture import Picture, Row
from reports.static_svg import set_time_ticks
from reports.theme import STATES, State, state_of
from reports.view import View


def standstill_band(view: View) -> Picture:
    """When was idle-stop refused? Each standstill by its outcome over time; parking shaded.

    It begins where the standstills are; long stretches between drives are folded and marked with their length.
    """
    standstills = view.account.standstills
    present: list[State] = [state for state in STATES if any(state_of(one) == state for one in standstills)]
    lanes = {state: float(len(present) - 1 - lane) for lane, state in enumerate(present)}
    row = Row(
        title=view.say("Outcome of each standstill"),
        height=40 + 38 * max(len(present), 1),
        span=(-0.7, max(len(present), 1) - 0.3),
        labels={lane: STATES[state].sign for state, lane in lanes.items()},
    )
    near = focus(view)
    canvas = view.over_time("band", [row], (near.start_ns, near.end_ns) if near else None, left=40)
    folds = near.folds if near else ()
    shade_parking(canvas, view, folds)
    for fold in folds:
        canvas.fold(view.instant(fold.start_ns), view.instant(fold.end_ns), rough(fold.seconds, view))
    if folds:
        set_time_ticks(canvas.layout)
    for state in present:
        mark = STATES[state]
        keys = [number for number, one in enumerate(standstills) if state_of(one) == state]
        canvas.marks(
            0,
            view.clock.axis(np.array([standstills[key].decision_ns for key in keys], dtype=np.int64)),
            [lanes[state]] * len(keys),
            view.say(mark.word),
            mark,
            words=[sentence(standstills[key], view) for key in keys],
            keys=keys,
            size=13,
        )
    return canvas.done()


def rough(seconds: float, view: View) -> str:
    """A duration in its largest unit, for a narrow place: "9 h", "29 min", "3 d"."""
    for size, unit in ((86_400, "d"), (3_600, "h")):
        if seconds >= 0.95 * size:
            return f"{view.say.number(seconds / size, 0)} {unit}"
    return f"{view.say.number(seconds / 60, 0)} min"


def sentence(standstill: Standstill, view: View) -> str:
    """One standstill in words: when, how long, its outcome and reasons."""
    word = view.say(STATES[state_of(standstill)].word)
    why = view.say.list([failing(reason, view.say) for reason in standstill.reasons])
    when = view.when(standstill.start_ns)
    lasted = view.say.duration(standstill.seconds)
    if why:
        return view.say("{when}, {lasted}: {word}, {why}", when=when, lasted=lasted, word=word, why=why)
    return view.say("{when}, {lasted}: {word}", when=when, lasted=lasted, word=word)
