"""Groups compared fairly: the same share pooled and within classes of temperature, and where the two disagree."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from fleet.fleet_data import FleetData
from fleet.intervals import UNKNOWN, Interval, clustered_share

ENOUGH = 20  # standstills that a group needs in a class to be compared there; common practice, no source
GROUPINGS = ("platform", "battery_type", "battery", "depot")


@dataclass(frozen=True, slots=True)
class Compared:
    """One group. pooled: share of its standstills with the engine stopped [%], over days as clusters.

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
    classes: int


@dataclass(frozen=True, slots=True)
class Strata:
    """A comparison by one property of vehicles. classes: lower ends of the temperature classes, rising [degC]."""

    by: str
    groups: tuple[Compared, ...]
    classes: tuple[int, ...]
    reversals: tuple[Reversal, ...]


def strata(data: FleetData, by: str) -> Strata:
    """Compare groups of vehicles by a column of `FleetData.vehicles`. Refusals for cold or heat alone are left out."""
    days = data.daily[(data.daily["suited"] > 0) & data.daily["temperature_c"].notna()].copy()
    days["class"] = (days["temperature_c"] // 10 * 10).astype(int)
    days["group"] = days["vehicle"].map(data.vehicles[by]).fillna("").astype(str)
    days["counted"] = days["stopped"] + days["cut_short"]
    weights = days.groupby("class")["suited"].sum()
    groups = [_compared(name, rows, weights) for name, rows in days.groupby("group", sort=True)]
    pairs = [found for a, b in combinations(groups, 2) if (found := _reversal(a, b, weights))]
    return Strata(by, tuple(groups), tuple(int(one) for one in weights.index), tuple(pairs))


def _compared(name: Any, rows: Any, weights: Any) -> Compared:
    by_class = {
        int(label): (_share(part), int(part["suited"].sum())) for label, part in rows.groupby("class", sort=True)
    }
    usable = {label: share.value for label, (share, n) in by_class.items() if n >= ENOUGH}
    shared = [label for label in weights.index if label in usable]
    whole = float(weights[shared].sum())
    standardised = sum(usable[label] * weights[label] for label in shared) / whole if whole else math.nan
    return Compared(
        group=str(name),
        vehicles=int(rows["vehicle"].nunique()),
        standstills=int(rows["suited"].sum()),
        pooled=_share(rows),
        by_class=by_class,
        standardised=standardised if len(shared) == len(weights) else math.nan,
    )


def _share(rows: Any) -> Interval:
    share = clustered_share(rows["counted"].to_numpy(float), rows["suited"].to_numpy(float))
    if share is UNKNOWN:
        return share
    return Interval(100 * share.value, 100 * share.low, 100 * share.high)


def _reversal(a: Compared, b: Compared, weights: Any) -> Reversal | None:
    """A pair whose order pooled is the other way round within the classes that both have enough of, two at least."""
    both = [
        label
        for label in a.by_class
        if label in b.by_class and min(a.by_class[label][1], b.by_class[label][1]) >= ENOUGH
    ]
    if len(both) < 2:
        return None
    whole = float(weights[both].sum())
    within = [sum(one.by_class[label][0].value * weights[label] for label in both) / whole for one in (a, b)]
    pooled = a.pooled.value - b.pooled.value
    if pooled * (within[0] - within[1]) >= 0:
        return None
    first, second = (a, b) if pooled > 0 else (b, a)
    inside = (within[0], within[1]) if first is a else (within[1], within[0])
    return Reversal(first.group, second.group, (first.pooled.value, second.pooled.value), inside, len(both))
