"""Battery episodes: stretches that may be compared, cut where something is known or seen to have changed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from decoder.frames import FloatArray
from fleet.classes import Classes
from fleet.history import Event
from fleet.intervals import middle

_CUTTING = ("battery", "coding", "reset", "sensor_reset", "battery_changed")  # kinds of events that begin an episode
_VISIT = "visit"  # kind that begins one only where the figures change level at it
EACH_SIDE = 6  # points on either side of a change that nobody told of
_BETTER = 0.5  # share of the straight line's squared error that two levels may leave; common practice, no source


@dataclass(frozen=True, slots=True)
class Cut:
    """A day on which a new stretch begins [days since 1970]. kind: of the event, or "seen" in the figures alone."""

    day: float
    kind: str


def known_cuts(events: Iterable[Event]) -> tuple[Cut, ...]:
    """Cuts at events that begin another battery episode. events: of one vehicle, in order of time."""
    return tuple(Cut(event.day, event.kind) for event in events if event.kind in _CUTTING)


def told_visits(events: Iterable[Event]) -> tuple[float, ...]:
    """Days of workshop visits, at which a figure may have changed and need not have."""
    return tuple(event.day for event in events if event.kind == _VISIT)


def seen_cuts(
    x: FloatArray, y: FloatArray, classes: Classes, least: float, visits: Sequence[float] = ()
) -> tuple[Cut, ...]:
    """Changes of level, at least six points on each side: at the visits told of first, then those nobody told of.

    x: (n,) days, rising. y: (n,). classes: of temperature; each class' own median is taken off first. least: the
    smallest step that matters, in y's unit. A step counts only where two levels leave less than half the squared error
    that a straight line leaves, so that a steady drift is not cut. Where there may be several, `ruptures` finds them.
    """
    n = len(y)
    if n < 2 * EACH_SIDE:
        return ()
    level = classes.about_medians(y)
    told = sorted({int(at) for at in np.searchsorted(x, visits) if EACH_SIDE <= at <= n - EACH_SIDE})
    places = [
        begin + place
        for begin, end in pairwise([0, *told, n])
        for place in _changes(x[begin:end], level[begin:end], least)
    ]
    for visit in told:
        begin, end = (
            max((at for at in places if at < visit), default=0),
            min((at for at in places if at > visit), default=n),
        )
        if _best_split(x[begin:end], level[begin:end], least, at=visit - begin) is not None:
            places.append(visit)
    places.sort()
    medians = [middle(y[a:b]) for a, b in pairwise([0, *places, n])]
    return tuple(
        Cut(float(x[at]), _VISIT if at in told else "seen")
        for at, (before, after) in zip(places, pairwise(medians), strict=True)
        if abs(after - before) >= least
    )


def _changes(x: FloatArray, level: FloatArray, least: float) -> list[int]:
    """Places of all changes of level within one stretch."""
    place = _best_split(x, level, least)
    if place is None:
        return []
    more = (slice(None, place), slice(place, None))
    alone = all(_best_split(x[part], level[part], least) is None for part in more)
    return [place] if alone else _several(level, place)


def _best_split(x: FloatArray, level: FloatArray, least: float, *, at: int | None = None) -> int | None:
    """Place of the one best change of level, None where a straight line does as well. at: this place alone."""
    n = len(level)
    if n < 2 * EACH_SIDE or (at is not None and not EACH_SIDE <= at <= n - EACH_SIDE):
        return None
    total, squares = np.cumsum(level), float((level**2).sum())
    places = np.arange(EACH_SIDE, n - EACH_SIDE + 1) if at is None else np.array([at])
    left, right = total[places - 1], total[-1] - total[places - 1]
    error = squares - left**2 / places - right**2 / (n - places)
    best = int(np.argmin(error))
    place = int(places[best])
    step = right[best] / (n - place) - left[best] / place
    about_x, about_y = x - x.mean(), level - level.mean()
    line = float(about_y @ about_y) - float(about_x @ about_y) ** 2 / float(about_x @ about_x)
    return place if abs(step) >= least and error[best] < _BETTER * line else None


def _several(level: FloatArray, place: int) -> list[int]:
    """All changes of level where the library is installed, else the best one.

    The penalty is that of Schwarz, 4 variance ln n, with the noise of neighbouring days.
    """
    try:
        import ruptures
    except ImportError:
        return [place]
    noise = middle(np.abs(np.diff(level))) * 1.4826 / np.sqrt(2)  # of neighbours, so that steps do not count
    scale = max(noise, 1e-3 * float(np.ptp(level)), 1e-12)
    search = ruptures.Pelt(model="l2", min_size=EACH_SIDE, jump=1).fit(level.reshape(-1, 1) / scale)
    found = search.predict(pen=4.0 * np.log(len(level)))[:-1]
    return [int(one) for one in found] or [place]
