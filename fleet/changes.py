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
from fleet.episodes import seen_cuts
from fleet.history import Event, History, Rows, rows_of
from fleet.intervals import UNKNOWN, Interval, middle
from fleet.metrics import METRICS, RANKED, RECENT_DAYS, Metric
from fleet.slopes import inflation, order_interval
from fleet.trends import share_of
from signal_defs.text import Text

Mask = NDArray[np.bool_]
Verdict = Literal["better", "worse", "alike", "open", "too_little_data"]
_EACH_SIDE = 3  # days of one class of temperature, before and after; common practice, no source
_ONE_VISIT_DAYS = 3  # events so close together are one visit


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
    so and the size matters, "alike" where the interval excludes what matters. lacking: what is missing where it cannot
    be told.
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
    if steps := _steps(metric, rows.where(before)):
        before &= rows.day >= steps[-1]
    if steps := _steps(metric, rows.where(after)):
        after &= rows.day < steps[0]
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


def _steps(metric: Metric, rows: Rows) -> list[float]:
    """Days at which the figures change level on one side of the visit, which is another change than the visit's."""
    if metric.counted or not len(rows.day):
        return []
    cuts = seen_cuts(rows.day, rows.value, temperature_classes(rows.temperature), metric.matters(middle(rows.value)))
    return [cut.day for cut in cuts]


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
        values = {"n": int(weight.sum()), "needed": metric.observations, "what": metric.what, "side": words}
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
    low, high = order_interval(ordered, variance * inflation(left, always=metric.remembers))
    medians = classes[~late].medians(rows.value[~late])
    weight = np.minimum(*(np.bincount(classes.code[side]) for side in (late, ~late)))
    return float(medians @ weight / weight.sum()), Interval(value, low, high)


def _of_share(metric: Metric, rows: Rows, late: Mask, classes: Classes) -> tuple[float, Interval]:
    """Share before, and the difference of shares within classes, put together by the standstills compared [%].

    The interval is put together of those of the shares. Source: Newcombe 1998; Zou and Donner 2008.
    """
    before = value = whole = below = above = 0.0
    for code in range(len(classes.size)):
        sides = [rows.where((classes.code == code) & side) for side in (~late, late)]
        weight = min(float(side.totals.sum()) for side in sides)
        first, second = (share_of(metric, side) for side in sides)
        whole, before = whole + weight, before + weight * first.value
        value += weight * (second.value - first.value)
        below += weight**2 * ((second.value - second.low) ** 2 + (first.high - first.value) ** 2)
        above += weight**2 * ((second.high - second.value) ** 2 + (first.value - first.low) ** 2)
    difference = Interval(value / whole, (value - math.sqrt(below)) / whole, (value + math.sqrt(above)) / whole)
    return before / whole, difference


def _verdict(metric: Metric, level: float, difference: Interval) -> Verdict:
    """Better or worse only where the whole interval says so and the size matters: many figures are looked at."""
    matters = metric.matters(level)
    if max(difference.high, -difference.low) < matters:
        return "alike"
    if difference.low <= 0 <= difference.high or abs(difference.value) < matters:
        return "open"
    return "worse" if (difference.value > 0) == (metric.worse == "up") else "better"
