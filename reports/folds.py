"""Long stretches between drives folded away, each marked with its length, so that the standstills have the room."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

from reports.view import View

_MINUTE_NS = 60_000_000_000
_SHORTEST_NS = 10 * _MINUTE_NS  # a shorter stretch is never folded
_MOST = 8  # with more of them the picture is one of days, and stays to scale
_BUSY = 0.6  # standstills that fill this share of the recording need no help
_ROOM = 0.07  # of the picture's width that a folded stretch keeps


@dataclass(frozen=True, slots=True)
class Fold:
    """start_ns, end_ns: what is cut out of the axis. whole_from_ns, whole_to_ns: the stretch it stands for."""

    start_ns: int
    end_ns: int
    whole_from_ns: int
    whole_to_ns: int

    @property
    def seconds(self) -> float:
        return (self.whole_to_ns - self.whole_from_ns) / 1e9


@dataclass(frozen=True, slots=True)
class Focus:
    """The stretch of time where the standstills are, and what is folded in it."""

    start_ns: int
    end_ns: int
    folds: tuple[Fold, ...] = ()


def focus(view: View) -> Focus | None:
    """Where the standstills are, with a margin; None where they fill the recording anyway, or there is none."""
    standstills = view.account.standstills
    if not standstills:
        return None
    recording = view.analysis.recording
    first, last = standstills[0].start_ns, max(one.end_ns for one in standstills)
    quiet = _between_drives(view, first, last)
    busy = last - first - sum(end - start for start, end in quiet)
    if busy >= _BUSY * (recording.end_ns - recording.start_ns):
        return None
    room = int(max(busy, _MINUTE_NS) * _ROOM / (1.0 - _ROOM * len(quiet)))
    folds = tuple(
        Fold(start + room // 2, end - room // 2, start, end) for start, end in quiet if end - start > 1.5 * room
    )
    margin = max(_MINUTE_NS // 4, room // 2)
    return Focus(first - margin, last + margin, folds)


def _between_drives(view: View, first: int, last: int) -> list[tuple[int, int]]:
    """Stretches between drives, first to last standstill, that are long enough to fold; none if they are too many."""
    inside = [drive for drive in view.estimate.drives if drive.end_ns > first and drive.start_ns < last]
    quiet = [
        (earlier.end_ns, later.start_ns)
        for earlier, later in itertools.pairwise(inside)
        if later.start_ns - earlier.end_ns > _SHORTEST_NS
    ]
    return quiet if len(quiet) <= _MOST else []
