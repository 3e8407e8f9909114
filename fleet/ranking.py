"""Which vehicles need attention: by how bad they are at least, each with three reasons at most."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from fleet.badness import Scale, days_to_limit, level_reason, scale_of, slope_reason
from fleet.fleet_data import FleetData
from fleet.intervals import Interval, middle, wilson
from fleet.metrics import RANKED, RECENT_DAYS
from fleet.trends import Trend, trends_of
from signal_defs.text import Text

Standing = Literal["attention", "in_order", "too_little_data"]
_REASONS = 3
_OFTEN = 0.5  # share of recordings with a finding, lower bound, from which it asks for work; common practice, no source


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason. badness: at least. what: one line. metric or finding: its code. since: day it began, NaN unknown."""

    badness: float
    what: Text
    metric: str = ""
    finding: str = ""
    since: float = math.nan


@dataclass(frozen=True, slots=True, eq=False)
class Ranked:
    """A vehicle in the ranking. badness: at least, the worst of its reasons. days: to the nearest limit, None if none.

    trends: by metric. scales: what the levels are measured by. codes: of the findings in its last 28 days, in how many
    of its recordings each. lacking: what too little data there is of, for each metric that cannot be judged.
    """

    vehicle: str
    standing: Standing
    badness: float
    reasons: tuple[Reason, ...]
    days: Interval | None
    trends: Mapping[str, Trend]
    scales: Mapping[str, Scale]
    codes: Mapping[str, tuple[int, int]]
    lacking: tuple[Text, ...]

    @property
    def since(self) -> float:
        """First day of the first reason that has one [days since 1970], NaN if none."""
        return next((reason.since for reason in self.reasons if math.isfinite(reason.since)), math.nan)


def rank(data: FleetData) -> tuple[Ranked, ...]:
    """All vehicles: those that need attention, worst first; then those in order; then those with too little data."""
    by_vehicle: dict[str, dict[str, Trend]] = {str(name): {} for name in data.vehicles.index}
    for metric in RANKED:
        for trend in trends_of(data.history, metric):
            by_vehicle[trend.vehicle][metric] = trend
    found = _findings(data)
    warm = _start_temperatures(data)
    ranked = [
        _rank(vehicle, trends, row, found.get(vehicle, ((), 0)), warm.get(vehicle, math.nan))
        for (vehicle, trends), row in zip(by_vehicle.items(), data.vehicles.to_dict("records"), strict=True)
    ]
    order = {"attention": 0, "in_order": 1, "too_little_data": 2}
    return tuple(
        sorted(ranked, key=lambda one: (order[one.standing], -one.badness, _soonest(one), not one.codes, one.vehicle))
    )


def _soonest(one: Ranked) -> float:
    return one.days.value if one.days else math.inf


def _rank(
    vehicle: str, trends: Mapping[str, Trend], row: Any, findings: tuple[Sequence[Any], int], temperature: float
) -> Ranked:
    scales = {name: scale for name, trend in trends.items() if (scale := scale_of(trend, row, temperature)) is not None}
    reasons = [
        *(_of_level(trend, scales[name]) for name, trend in trends.items() if name in scales),
        *(_of_slope(trend, scales.get(name)) for name, trend in trends.items()),
        *_of_findings(findings),
    ]
    weighty = sorted((one for one in reasons if one and one.badness >= 1.0), key=lambda one: -one.badness)
    judged = [trend for trend in trends.values() if math.isfinite(trend.level.value)]
    away = [left for name, trend in trends.items() if (left := days_to_limit(trend, scales.get(name)))]
    levels = [one.badness for one in reasons if one and math.isfinite(one.badness)]
    standing: Standing = "attention" if weighty else "in_order" if judged else "too_little_data"
    return Ranked(
        vehicle=vehicle,
        standing=standing,
        badness=max(levels, default=0.0),
        reasons=_distinct(weighty)[:_REASONS],
        days=min(away, key=lambda one: one.value, default=None),
        trends=trends,
        scales=scales,
        codes={code: (n, findings[1]) for code, n, _, _ in findings[0]},
        lacking=tuple(
            line for trend in trends.values() if not math.isfinite(trend.level.value) for line in trend.lacking
        ),
    )


def _distinct(reasons: Sequence[Reason]) -> tuple[Reason, ...]:
    """Each metric once: a level beyond its limit says more than that it got there, and the slope is in the story."""
    kept: dict[str, Reason] = {}
    for reason in reasons:
        kept.setdefault(reason.metric or reason.finding, reason)
    if "battery_share" in kept:
        kept.pop("refused_share", None)  # the same refusals
    return tuple(kept.values())


def _of_level(trend: Trend, scale: Scale) -> Reason | None:
    badness = scale.at_least(trend.level)
    if not math.isfinite(badness):
        return None
    return Reason(badness, level_reason(trend, scale), metric=trend.metric.name, since=_since(trend, scale))


def _since(trend: Trend, scale: Scale) -> float:
    """First day of the unbroken stretch, one good day forgiven, in which the value was past its limit."""
    now = trend.day >= trend.begin
    past = (trend.value[now] >= scale.limit) if scale.limit > scale.good else (trend.value[now] <= scale.limit)
    since = math.nan
    good = 0
    for day, bad in zip(trend.day[now][::-1], past[::-1], strict=True):
        good = 0 if bad else good + 1
        if good > 1:
            break
        since = float(day) if bad else since
    return since


def _of_slope(trend: Trend, scale: Scale | None) -> Reason | None:
    """A slope that is sure, and either matters by itself or meets the limit soon."""
    soon = trend.metric.soon
    left = days_to_limit(trend, scale)
    if not trend.alarm or (soon is not None and (left is None or left.value > soon)):
        return None
    return Reason(1.0 + trend.sure / trend.month, slope_reason(trend), metric=trend.metric.name, since=trend.begin)


def _of_findings(findings: tuple[Sequence[Any], int]) -> list[Reason]:
    rows, total = findings
    reasons = []
    for code, count, firm, since in rows:
        low = wilson(firm, total).low
        values = {"code": code, "n": count, "total": total}
        said = Text("{code} in {n} of {total} recordings", values)
        reasons.append(Reason(low / _OFTEN, said, finding=code, since=since))
    return reasons


def _findings(data: FleetData) -> dict[str, tuple[list[tuple[str, int, int, float]], int]]:
    """Vehicle -> (code, recordings with it, of them firm and to act on, first day) of its last weeks, and recordings.

    A recording without a date counts as recent.
    """
    frame = data.findings
    last = data.vehicles["last"].dt.tz_localize(None)
    recordings = data.vehicles["recent"].astype(int).to_dict()
    result: dict[str, tuple[list[tuple[str, int, int, float]], int]] = {}
    if not len(frame):
        return result
    time = frame["time"].dt.tz_localize(None)
    recent = time.isna() | (time > frame["vehicle"].map(last) - np.timedelta64(RECENT_DAYS, "D"))
    kept = frame[recent & (frame["weight"] != "note")]
    for (vehicle, code), rows in kept.groupby(["vehicle", "code"], sort=True):
        firm = int(((rows["weight"] == "act") & ~rows["possible"].astype(bool)).sum())
        first = rows["time"].min()
        since = first.timestamp() // 86400 if first == first else math.nan  # noqa: PLR0124 - NaT differs from itself
        result.setdefault(vehicle, ([], recordings[vehicle]))[0].append((code, len(rows), firm, since))
    return result


def _start_temperatures(data: FleetData) -> dict[str, float]:
    """Median temperature of each vehicle's starts in its last weeks [degC]."""
    days = data.days
    found = {}
    for place, name in enumerate(days.names):
        rows = slice(days.first[place], days.first[place + 1])
        celsius, day = days["crank_c"][rows], days.day[rows]
        known = np.isfinite(celsius)
        if known.any():
            found[name] = middle(celsius[known & (day > day[known][-1] - RECENT_DAYS)])
    return found
