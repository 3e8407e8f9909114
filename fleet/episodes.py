"""Battery episodes: stretches that may be compared, cut where something is known or seen to have changed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from decoder.frames import FloatArray
from fleet.classes import Classes
from fleet.history import Event
from fleet.intervals import middle

CUTTING = ("battery", "coding", "reset", "sensor_reset", "battery_changed")  # kinds of events that begin an episode
EACH_SIDE = 6  # points on either side of a change that nobody told of
_BETTER = 0.5  # share of the straight line's squared error that two levels may leave; common practice, no source


@dataclass(frozen=True, slots=True)
class Cut:
    """A day on which a new stretch begins [days since 1970]. kind: of the event, or "seen" in the figures alone."""

    day: float
    kind: str
    before: float = float("nan")
    after: float = float("nan")


def known_cuts(events: Iterable[Event]) -> tuple[Cut, ...]:
    """Cuts at events that begin another battery episode. events: of one vehicle, in order of time."""
    return tuple(Cut(event.day, event.kind) for event in events if event.kind in CUTTING)


def seen_cuts(x: FloatArray, y: FloatArray, classes: Classes, least: float) -> tuple[Cut, ...]:
    """Changes of level that nobody told of, at least six points on each side.

    x: (n,) days, rising. y: (n,). classes: of temperature; each class' own median is taken off first. least: the
    smallest step that matters, in y's unit. A step counts only where two levels leave less than half the squared error
    that a straight line leaves, so that a steady drift is not cut. Where there may be several, `ruptures` finds them.
    """
    if len(y) < 2 * EACH_SIDE:
        return ()
    level = classes.about_medians(y)
    place = _best_split(x, level, least)
    if place is None:
        return ()
    more = (slice(None, place), slice(place, None))
    alone = all(_best_split(x[part], level[part], least) is None for part in more)
    places = [place] if alone else _several(level, place)
    edges = [0, *places, len(y)]
    medians = [middle(y[a:b]) for a, b in pairwise(edges)]
    return tuple(
        Cut(float(x[at]), "seen", before, after)
        for at, before, after in zip(places, medians, medians[1:], strict=False)
        if abs(after - before) >= least
    )


def _best_split(x: FloatArray, level: FloatArray, least: float) -> int | None:
    """Place of the one best change of level, None where a straight line does as well."""
    n = len(level)
    if n < 2 * EACH_SIDE:
        return None
    total, squares = np.cumsum(level), float((level**2).sum())
    at = np.arange(EACH_SIDE, n - EACH_SIDE + 1)
    left, right = total[at - 1], total[-1] - total[at - 1]
    error = squares - left**2 / at - right**2 / (n - at)
    best = int(np.argmin(error))
    place = int(at[best])
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
