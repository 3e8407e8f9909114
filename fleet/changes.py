"""What changed at a visit to the workshop: the weeks before and after it, compared in the same weather."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from decoder.frames import FloatArray
from fleet.classes import Classes, temperature_classes
from fleet.history import Event, History
from fleet.intervals import UNKNOWN, Interval, middle, redrawn
from fleet.metrics import METRICS, RANKED, RECENT_DAYS, Metric
from fleet.slopes import inflation, order_interval
from fleet.trends import Rows, rows_of
from signal_defs.text import Text

Mask = NDArray[np.bool_]
Verdict = Literal["better", "worse", "alike", "open", "too_little_data"]
_EACH_SIDE = 3  # days of one class of temperature, before and after; common practice, no source
_ONE_VISIT_DAYS = 3  # events so close together are one visit
_ROUNDS = 999


@dataclass(frozen=True, slots=True)
class Visit:
    """day, last: of the first and the last event of a visit [days since 1970]. kinds: what was done or seen."""

    vehicle: str
    day: float
    last: float
    kinds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Change:
    """One figure before and after a visit, in the metric's unit.

    before, after: over the days compared, put together over classes of temperature. difference: after less before, with
    its 95 % interval. days: compared, on either side. verdict: "better" and "worse" only where the whole interval says
    so, "alike" where it excludes what matters; lacking: what is missing where it cannot be told.
    """

    visit: Visit
    metric: Metric
    before: float
    after: float
    difference: Interval
    days: tuple[int, int]
    verdict: Verdict
    lacking: tuple[Text, ...] = ()


def changes_of(
    history: History, vehicles: Sequence[str] | None = None, metrics: Sequence[str] = RANKED
) -> Iterator[Change]:
    """Every figure at every visit, by vehicle and day. vehicles: these alone."""
    visits = {
        name: visits_of(name, history.events.get(name, ()))
        for name in (history.names if vehicles is None else vehicles)
    }
    concerned = [name for name, there in visits.items() if there]
    for metric in metrics:
        for name, rows in rows_of(history, METRICS[metric], names=concerned):
            for place, visit in enumerate(visits[name]):
                since = visits[name][place - 1].last if place else -math.inf
                until = visits[name][place + 1].day if place + 1 < len(visits[name]) else math.inf
                yield _change(METRICS[metric], visit, rows, since, until)


def visits_of(vehicle: str, events: Sequence[Event]) -> tuple[Visit, ...]:
    """Events as visits: what happened within three days is one."""
    visits: list[Visit] = []
    for event in events:
        if visits and event.day - visits[-1].last <= _ONE_VISIT_DAYS:
            last = visits.pop()
            visits.append(Visit(vehicle, last.day, event.day, tuple(dict.fromkeys((*last.kinds, event.kind)))))
        else:
            visits.append(Visit(vehicle, event.day, event.day, (event.kind,)))
    return tuple(visits)


def _change(metric: Metric, visit: Visit, rows: Rows, since: float, until: float) -> Change:
    """since, until: days of the visits before and after this one."""
    before = (rows.day >= max(visit.day - RECENT_DAYS, since + 1)) & (rows.day < visit.day)
    after = (rows.day > visit.last) & (rows.day <= min(visit.last + RECENT_DAYS, until - 1))
    lacking = (*_lacking(metric, rows.weight[before], "before"), *_lacking(metric, rows.weight[after], "after"))
    used, late = rows.where(before | after), after[before | after]
    classes = temperature_classes(used.temperature)
    kept = _matched(classes, late)
    if not (lacking or kept.any()):
        lacking = (Text("Too little data: no class of temperature has three days both before and after."),)
    if lacking:
        return Change(visit, metric, math.nan, math.nan, UNKNOWN, (0, 0), "too_little_data", lacking)
    used, late, classes = used.where(kept), late[kept], classes[kept]
    level, difference = (_of_share if metric.counted else _of_days)(metric, used, late, classes)
    days = (int((~late).sum()), int(late.sum()))
    return Change(visit, metric, level, level + difference.value, difference, days, _verdict(metric, level, difference))


def _matched(classes: Classes, late: Mask) -> Mask:
    """(n,) days of the classes that have enough days on both sides. late: (n,) after the visit."""
    if not len(late):
        return late
    fewer = np.minimum(*(np.bincount(classes.code[side], minlength=len(classes.size)) for side in (late, ~late)))
    matched: Mask = (fewer >= _EACH_SIDE)[classes.code]
    return matched


def _lacking(metric: Metric, weight: FloatArray, side: str) -> tuple[Text, ...]:
    """What there is too little of on one side of a visit."""
    words = Text("before the visit") if side == "before" else Text("after the visit")
    said = []
    if weight.sum() < metric.observations:
        values = {"n": int(weight.sum()), "needed": metric.observations, "what": Text(metric.what), "side": words}
        said.append(Text("Too little data {side}: {n} of {needed} {what}.", values))
    if len(weight) < metric.days:
        values = {"n": len(weight), "needed": metric.days, "side": words}
        said.append(Text("Too little data {side}: {n} of {needed} days.", values))
    return tuple(said)


def _of_days(metric: Metric, rows: Rows, late: Mask, classes: Classes) -> tuple[float, Interval]:
    """Level before, and the shift of Hodges and Lehmann within classes with the interval of Mann and Whitney.

    Days that resemble the day before widen it, as for slopes. Source: Hodges and Lehmann 1963; Mann and Whitney 1947.
    """
    shifts, variance = [], 0.0
    for code in range(len(classes.size)):
        first, second = rows.value[(classes.code == code) & ~late], rows.value[(classes.code == code) & late]
        shifts.append(np.subtract.outer(second, first).ravel())
        both = np.concatenate([first, second])
        ties = np.unique(both, return_counts=True)[1]
        n = len(both)
        variance += len(first) * len(second) / 3 * (n + 1 - float((ties**3 - ties).sum()) / (n * (n - 1)))
    ordered = np.sort(np.concatenate(shifts))
    value = middle(ordered)
    left = classes.about_medians(np.where(late, rows.value - value, rows.value))
    low, high = order_interval(ordered, variance * inflation(left, always=metric.remembers), 0.95)
    medians = classes[~late].medians(rows.value[~late])
    weight = np.minimum(*(np.bincount(classes.code[side]) for side in (late, ~late)))
    return float(medians @ weight / weight.sum()), Interval(value, low, high)


def _of_share(_metric: Metric, rows: Rows, late: Mask, classes: Classes) -> tuple[float, Interval]:
    """Share before, and the difference of shares within classes when days are drawn anew [%]."""
    drawn, before, value, whole = np.zeros(_ROUNDS), 0.0, 0.0, 0.0
    for code in range(len(classes.size)):
        sides = [(classes.code == code) & side for side in (~late, late)]
        weight = min(float(rows.totals[side].sum()) for side in sides)
        shares = [100.0 * float(rows.counts[side].sum() / rows.totals[side].sum()) for side in sides]
        again = [_redrawn_share(rows.counts[side], rows.totals[side], place) for place, side in enumerate(sides)]
        whole, before = whole + weight, before + weight * shares[0]
        value += weight * (shares[1] - shares[0])
        drawn += weight * (again[1] - again[0])
    low, high = np.percentile(drawn / whole, [2.5, 97.5])
    return before / whole, Interval(value / whole, float(low), float(high))


def _redrawn_share(counts: FloatArray, totals: FloatArray, side: int) -> FloatArray:
    """(_ROUNDS,) shares of days drawn with putting back, the two sides independently [%]."""
    places = redrawn(len(counts), _ROUNDS, side)
    shares: FloatArray = 100.0 * counts[places].sum(axis=1) / totals[places].sum(axis=1)
    return shares


def _verdict(metric: Metric, level: float, difference: Interval) -> Verdict:
    matters = metric.month * (abs(level) if metric.relative else 1.0)
    up, down = difference.low > 0, difference.high < 0
    if up or down:
        return "worse" if up == (metric.worse == "up") else "better"
    return "alike" if max(difference.high, -difference.low) < matters else "open"
