"""How one figure of one vehicle goes over the weeks: its level, its slope, and whether that can be told yet."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from decoder.frames import FloatArray
from fleet.classes import Classes, temperature_classes
from fleet.episodes import Cut, known_cuts, seen_cuts, told_visits
from fleet.history import Event, History, Rows, rows_of
from fleet.intervals import (
    UNKNOWN,
    Interval,
    bootstrap_ratio,
    clustered_share,
    median_interval,
    middle,
    student_quantile,
)
from fleet.metrics import METRICS, MONTH_DAYS, POINTS, RECENT_DAYS, SPAN_DAYS, Metric
from fleet.slopes import sen_slope
from signal_defs.errors import UsageError
from signal_defs.text import Text

Verdict = Literal["worsening", "slowly_worse", "improving", "stable", "open", "too_little_data"]


@dataclass(frozen=True, slots=True, eq=False)
class Trend:
    """One figure of one vehicle in its present battery episode.

    day, value: (n,) all its days [days since 1970], earlier episodes too. begin: first day of the present one; cuts:
    where episodes begin. level: over the last 28 days with 95 % interval; NaN where there is too little data, then
    `lacking` says what is missing. slope: a month, in the unit of the metric, with the
    95 % interval of Sen. sure: by how much a month it is worse at the very least, a share `misled` of looks apart,
    since it is looked at every week; 0 where that is no worsening. p: of Mann and Kendall.
    verdict: "worsening" and "improving" only where the whole interval says so and the size matters; "slowly_worse"
    where the size does not; "open" where it can
    be told neither that it changes nor that it does not. alarm: worse for sure at the weekly look, and at half the
    speed that matters or more. observations: behind the level.
    """

    metric: Metric
    vehicle: str
    day: FloatArray
    value: FloatArray
    begin: float
    cuts: tuple[Cut, ...]
    level: Interval
    slope: Interval
    sure: float
    p: float
    verdict: Verdict
    alarm: bool
    observations: int
    days: int
    lacking: tuple[Text, ...]

    @property
    def month(self) -> float:
        """Change in a month from which it matters, in the metric's unit."""
        return self.metric.matters(self.level.value)

    @property
    def told_slope(self) -> tuple[Interval, int]:
        """The slope as people say it, in `metric.slope_unit`, and its decimals; in percent of the level if relative."""
        if self.metric.relative:
            return self.slope.times(100.0 / abs(self.level.value)), 0
        return self.slope, self.metric.digits


def metric_named(name: str) -> Metric:
    """A metric by name. Raises UsageError that lists them."""
    if name not in METRICS:
        raise UsageError(f"There is no metric {name!r}.", mend=f"Metrics: {', '.join(METRICS)}.")
    return METRICS[name]


def trends_of(
    history: History, name: str, *, between_c: tuple[float, float] | None = None, names: Sequence[str] | None = None
) -> Iterator[Trend]:
    """The trend of one metric for every vehicle, by name; also of those with no data at all.

    between_c: only days whose temperature is in this class, lower end in, upper end out [degC]. names: of these
    vehicles alone. Raises UsageError for a metric that does not exist.
    """
    for vehicle, rows in rows_of(history, metric_named(name), between_c=between_c, names=names):
        yield _trend(metric_named(name), vehicle, rows, history.events.get(vehicle, ()))


def _trend(metric: Metric, vehicle: str, rows: Rows, events: Sequence[Event]) -> Trend:
    day, value, weight, temperature, _, _ = rows
    classes = temperature_classes(temperature)
    cuts = _cuts(metric, day, value, classes, events)
    begin = max((cut.day for cut in cuts), default=-math.inf)
    now = day >= begin
    observations, days = int(weight[now].sum()), int(now.sum())
    lacking = _lacking(metric, observations, days)
    recent = now & (day > (day[-1] if len(day) else 0.0) - RECENT_DAYS)
    level = UNKNOWN
    if not lacking:
        level = share_of(metric, rows.where(recent)) if metric.counted else median_interval(value[recent])
    slope, sure, p, verdict, alarm = _slope(metric, day[now], value[now], classes[now], level)
    if verdict == "too_little_data" and not lacking:
        lacking = _lacking_for_slope(day[now])
    return Trend(
        metric=metric,
        vehicle=vehicle,
        day=day,
        value=value,
        begin=begin if math.isfinite(begin) else (float(day[0]) if len(day) else math.nan),
        cuts=cuts,
        level=level,
        slope=slope,
        sure=sure,
        p=p,
        verdict=verdict,
        alarm=alarm,
        observations=observations,
        days=days,
        lacking=lacking,
    )


def _cuts(
    metric: Metric, day: FloatArray, value: FloatArray, classes: Classes, events: Sequence[Event]
) -> tuple[Cut, ...]:
    """Known events first; then what the figures show within the stretch after the last of them."""
    known = known_cuts(events)
    begin = max((cut.day for cut in known if len(day) and cut.day <= day[-1]), default=-math.inf)
    now = day >= begin
    if not now.any() or metric.counted:  # a share of few standstills a day jumps by nature
        return known
    least = metric.matters(middle(value[now]))
    return (*known, *seen_cuts(day[now], value[now], classes[now], least, told_visits(events)))


def _lacking(metric: Metric, observations: int, days: int) -> tuple[Text, ...]:
    said = []
    if observations < metric.observations:
        values = {"n": observations, "needed": metric.observations, "what": metric.what}
        said.append(Text("Too little data: {n} of {needed} {what}.", values))
    if days < metric.days:
        said.append(Text("Too little data: {n} of {needed} days.", {"n": days, "needed": metric.days}))
    return tuple(said)


def _lacking_for_slope(day: FloatArray) -> tuple[Text, ...]:
    said = []
    if len(day) < POINTS:
        said.append(Text("Too little data for a trend: {n} of {needed} days.", {"n": len(day), "needed": POINTS}))
    span = float(day[-1] - day[0]) if len(day) else 0.0
    if span < SPAN_DAYS:
        values = {"n": int(span), "needed": SPAN_DAYS}
        said.append(Text("Too little data for a trend: {n} of {needed} days from first to last.", values))
    return tuple(said) or (Text("Too little data for a trend within any one class of temperature."),)


def share_of(metric: Metric, rows: Rows) -> Interval:
    """Share over days as clusters [%]."""
    return (bootstrap_ratio if metric.out_of else clustered_share)(rows.counts, rows.totals).times(100.0)


def _slope(
    metric: Metric, day: FloatArray, value: FloatArray, classes: Classes, level: Interval
) -> tuple[Interval, float, float, Verdict, bool]:
    enough = len(day) >= POINTS and day[-1] - day[0] >= SPAN_DAYS and math.isfinite(level.value)
    found = sen_slope(day, value, classes, memory=metric.remembers) if enough else None
    if found is None or found.pairs < POINTS:
        return UNKNOWN, 0.0, math.nan, "too_little_data", False
    slope = Interval(found.value, found.low, found.high).times(MONTH_DAYS)
    sign = 1.0 if metric.worse == "up" else -1.0
    worst, least = (slope.high, slope.low) if sign > 0 else (-slope.low, -slope.high)
    sure = MONTH_DAYS * max(sign * found.value - student_quantile(found.freedom, metric.misled) * found.error, 0.0)
    matters = metric.matters(level.value)
    fast = matters if metric.remembers else matters / 2
    alarm = sure > 0.0 and least > 0.0 and sign * slope.value >= fast
    if least > 0 and sign * slope.value >= matters:
        return slope, sure, found.p, "worsening", alarm
    if worst < 0 and -sign * slope.value >= matters:
        return slope, sure, found.p, "improving", False
    verdict: Verdict = "slowly_worse" if least > 0 else "stable" if worst < matters else "open"
    return slope, sure, found.p, verdict, alarm
