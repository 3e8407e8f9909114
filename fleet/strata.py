"""Groups compared fairly: the same share pooled and within classes of temperature, and where the two disagree."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np

from decoder.frames import FloatArray
from fleet.fleet_data import FleetData
from fleet.intervals import Interval, bootstrap_ratio, clustered_share

ENOUGH = 20  # standstills that a group needs in a class to be compared there; common practice, no source
_VEHICLES = 8  # least for an interval over vehicles; common practice, no source
GROUPINGS = ("platform", "battery_type", "battery", "depot")


@dataclass(frozen=True, slots=True)
class Compared:
    """One group. pooled: share of its standstills with the engine stopped [%].

    by_class: lower end of each class of 10 K [degC] -> share and standstills. standardised: what the share would be had
    every group stood as often in each class as all together; NaN where it lacks one of the classes compared.
    """

    group: str
    vehicles: int
    standstills: int
    pooled: Interval
    by_class: Mapping[int, tuple[Interval, int]]
    standardised: float


@dataclass(frozen=True, slots=True)
class Reversal:
    """Two groups of which the one looks better pooled, and the other within classes (Simpson's paradox)."""

    better_pooled: str
    better_within: str
    pooled: tuple[float, float]
    within: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Strata:
    """A comparison by one property of vehicles. classes: lower ends of the temperature classes, rising [degC]."""

    by: str
    groups: tuple[Compared, ...]
    classes: tuple[int, ...]
    reversals: tuple[Reversal, ...]


def strata(data: FleetData, by: str) -> Strata:
    """Compare groups of vehicles by a column of `FleetData.vehicles`. Refusals for cold or heat alone are left out."""
    days = data.days
    used = (days["suited"] > 0) & np.isfinite(days["temperature_c"])
    groups = data.vehicles[by].reindex(list(days.names)).fillna("").astype(str).to_numpy()
    rows = _Rows(
        group=groups[days.vehicle[used]] if len(days) else np.empty(0, dtype=object),
        label=(days["temperature_c"][used] // 10 * 10).astype(int),
        vehicle=days.vehicle[used],
        stopped=days["stops"][used],
        asked=days["suited"][used],
    )
    weights = {int(label): float(rows.asked[rows.label == label].sum()) for label in np.unique(rows.label)}
    compared = [_compared(name, rows.where(rows.group == name), weights) for name in sorted(set(rows.group.tolist()))]
    pairs = [found for a, b in combinations(compared, 2) if (found := _reversal(a, b, weights))]
    return Strata(by, tuple(compared), tuple(weights), tuple(pairs))


class _Rows(NamedTuple):
    """Days with standstills, (n,) each. label: lower end of the class of temperature [degC]."""

    group: Any
    label: Any
    vehicle: Any
    stopped: FloatArray
    asked: FloatArray

    def where(self, mask: Any) -> _Rows:
        return _Rows(*(column[mask] for column in self))


def _compared(name: str, rows: _Rows, weights: Mapping[int, float]) -> Compared:
    parts = {label: rows.where(rows.label == label) for label in sorted(set(rows.label.tolist()))}
    by_class = {label: (_share(part), int(part.asked.sum())) for label, part in parts.items()}
    usable = {label: share.value for label, (share, n) in by_class.items() if n >= ENOUGH}
    whole = sum(weights[label] for label in usable)
    standardised = sum(value * weights[label] for label, value in usable.items()) / whole if whole else math.nan
    return Compared(
        group=name,
        vehicles=len(set(rows.vehicle.tolist())),
        standstills=int(rows.asked.sum()),
        pooled=_share(rows),
        by_class=by_class,
        standardised=standardised if len(usable) == len(weights) else math.nan,
    )


def _share(rows: _Rows) -> Interval:
    """Over vehicles as clusters, drawn anew; over days where they are too few, or all alike, to tell."""
    place = np.unique(rows.vehicle, return_inverse=True)[1]
    asked, stopped = (np.bincount(place, column).astype(np.float64) for column in (rows.asked, rows.stopped))
    share = bootstrap_ratio(stopped, asked)
    if len(asked) < _VEHICLES or share.low == share.high:
        share = clustered_share(rows.stopped, rows.asked)
    return share.times(100.0)


def _reversal(a: Compared, b: Compared, weights: Mapping[int, float]) -> Reversal | None:
    """A pair whose order pooled is the other way round within the classes that both have enough of, two at least."""
    both = [
        label
        for label in a.by_class
        if label in b.by_class and min(a.by_class[label][1], b.by_class[label][1]) >= ENOUGH
    ]
    if len(both) < 2:
        return None
    whole = sum(weights[label] for label in both)
    within = [sum(one.by_class[label][0].value * weights[label] for label in both) / whole for one in (a, b)]
    pooled = a.pooled.value - b.pooled.value
    if pooled * (within[0] - within[1]) >= 0:
        return None
    first, second = (a, b) if pooled > 0 else (b, a)
    inside = (within[0], within[1]) if first is a else (within[1], within[0])
    return Reversal(first.group, second.group, (first.pooled.value, second.pooled.value), inside)
