"""How bad a figure is at least: 0 where nothing is wrong, 1 where it asks for work, by the kind end of its interval."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from fleet.intervals import Interval
from fleet.metrics import (
    CRANK_LIMITS,
    CRANK_MARGIN,
    MONTH_DAYS,
    RESISTANCE_VOLTS,
    RESISTANCE_WORN,
    SOC_LIMIT,
    SOC_MARGIN,
)
from fleet.trends import Trend
from signal_defs.text import Text


@dataclass(frozen=True, slots=True)
class Scale:
    """good: value at which badness is 0. limit: at which it is 1, beyond it the vehicle asks for work."""

    good: float
    limit: float

    def at_least(self, level: Interval) -> float:
        """Badness at the end of the interval that is kind to the vehicle, not below 0; NaN where unknown."""
        kind = level.low if self.limit > self.good else level.high
        return max((kind - self.good) / (self.limit - self.good), 0.0) if math.isfinite(kind) else math.nan


def scale_of(trend: Trend, vehicle: Any, temperature: float) -> Scale | None:
    """What the level is measured by; None where the metric has no limit.

    vehicle: its row of `FleetData.vehicles`. temperature: of its recent starts [degC], for the voltage at starts.
    """
    metric = trend.metric
    if metric.good is not None and metric.limit is not None:
        return Scale(metric.good, metric.limit)
    if metric.name == "resistance" and _known(vehicle["crank_rated_a"]):
        new = 1000.0 * RESISTANCE_VOLTS / vehicle["crank_rated_a"]
        return Scale(new, RESISTANCE_WORN * new)
    if metric.name == "rest_soc":
        limit = vehicle["soc_limit"] if _known(vehicle["soc_limit"]) else SOC_LIMIT
        return Scale(limit + SOC_MARGIN, limit)
    if metric.name == "crank_voltage" and math.isfinite(temperature):
        limit = float(np.interp(temperature, [at for at, _ in CRANK_LIMITS], [volts for _, volts in CRANK_LIMITS]))
        return Scale(limit + CRANK_MARGIN, limit)
    return None


def _known(value: Any) -> bool:
    return value is not None and bool(np.isfinite(value))


def days_to_limit(trend: Trend, scale: Scale | None) -> Interval | None:
    """Days until the level meets its limit at the present slope; None where it is not getting worse for sure.

    low: at the fastest slope of the interval, high: at the slowest.
    """
    if scale is None or not (trend.alarm or trend.verdict == "worsening"):
        return None
    left = scale.limit - trend.level.value
    if left == 0 or (left > 0) != (trend.slope.value > 0):
        return Interval(0.0, 0.0, 0.0)  # past it already
    rates = [rate / MONTH_DAYS for rate in (trend.slope.value, trend.slope.low, trend.slope.high)]
    days = [left / rate if rate * left > 0 else math.inf for rate in rates]
    return Interval(days[0], min(days), max(days))


def level_reason(trend: Trend, scale: Scale) -> Text:
    """The level in one line: what, how much with its interval, against which limit."""
    metric = trend.metric
    values = {"title": metric.title, "unit": metric.unit, "limit": _rounded(scale.limit, metric.digits)}
    return Text(
        "{title}: {value} {unit} ({low} to {high}), limit {limit} {unit}",
        {**values, **_told(trend.level, metric.digits)},
    )


def slope_reason(trend: Trend) -> Text:
    """The slope in one line: what, how fast with its interval; in percent of the level where that is what matters."""
    slope, digits = trend.told_slope
    values = {"title": trend.metric.title, "unit": trend.metric.slope_unit, **_told(slope, digits)}
    return Text("{title}: {value:+} {unit} a month ({low:+} to {high:+})", values)


def _told(figure: Interval, digits: int) -> dict[str, float | int]:
    return {name: _rounded(getattr(figure, name), digits) for name in ("value", "low", "high")}


def _rounded(value: float, digits: int) -> float | int:
    """No false digits: a whole number where there are no decimals."""
    return round(value, digits) if digits else round(value)
