"""Where the standstills go, week by week, as a table that the page's filters count anew."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from decoder.frames import FloatArray
from fleet.days import monday
from fleet.fleet_data import FleetData
from reports.language import Language
from reports.plain import plain

GRANTED = 2  # of the rows those that are no refusals
_ENOUGH = 20  # standstills for a share in percent; common practice, no source


@dataclass(frozen=True, slots=True)
class Bin:
    """Vehicles that are counted together. name: of the one vehicle, empty where there are several.

    vehicles: how many. attributes: what the page's filters look at.
    """

    name: str
    vehicles: int
    attributes: Mapping[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class Weeks:
    """days: first day of each week, Monday, ISO. names: stopped, cut short, then conditions, the most frequent first.

    counts: (b, r, w) standstills of each bin, row and week; a refusal for which several conditions failed counts for
    each of them. asked, refused, lost_s: (b, w) standstills, of them refused, idling that cost [s].
    """

    days: tuple[str, ...]
    names: tuple[str, ...]
    bins: tuple[Bin, ...]
    counts: FloatArray
    asked: FloatArray
    refused: FloatArray
    lost_s: FloatArray

    def to_json(self) -> dict[str, Any]:
        """What the page's script counts from."""
        return {
            "weeks": self.days,
            "rows": len(self.names),
            "enough": _ENOUGH,
            "vehicles": {bin_.name: self._bin(place) for place, bin_ in enumerate(self.bins) if bin_.name},
            "others": [
                {"n": bin_.vehicles, "is": dict(bin_.attributes), **self._bin(place)}
                for place, bin_ in enumerate(self.bins)
                if not bin_.name
            ],
        }

    def _bin(self, place: int) -> dict[str, Any]:
        there = np.argwhere(self.counts[place] > 0)
        return {
            "a": self.asked[place].astype(int).tolist(),
            "r": self.refused[place].astype(int).tolist(),
            "l": np.round(self.lost_s[place]).astype(int).tolist(),
            "c": [(int(row), int(week), int(self.counts[place, row, week])) for row, week in there],
        }

    def cells(self) -> list[list[tuple[str, int]]]:
        """For each row the share of every week's standstills, then of all, as text and as shade [%]."""
        asked = self.asked.sum(axis=0)
        counts = self.counts.sum(axis=0)
        return [
            [
                share_cell(float(count), float(total))
                for count, total in zip([*row, row.sum()], [*asked, asked.sum()], strict=True)
            ]
            for row in counts
        ]


def share_cell(count: float, total: float) -> tuple[str, int]:
    """Percent, or both numbers where there are too few for it; and the shade."""
    if not count or not total:
        return "", 0
    share = 100 * count / total
    if total < _ENOUGH:
        return f"{count:.0f}/{total:.0f}", round(share)
    return ("<1" if share < 0.5 else f"{math.floor(share + 0.5)}"), round(share)


def bins_of(data: FleetData, shown: Sequence[str]) -> tuple[list[Bin], dict[str, int]]:
    """A bin for each vehicle that is shown, one for each kind of the others; and the number of every vehicle's bin."""
    vehicles = data.vehicles
    kinds = {
        name: {"platform": plain(str(platform)), "battery": plain(str(battery)), "depot": plain(str(depot))}
        for name, platform, battery, depot in zip(
            vehicles.index, vehicles["platform"], vehicles["battery_type"], vehicles["depot"], strict=True
        )
    }
    place = {name: number for number, name in enumerate(shown)}
    bins = [Bin(plain(name), 1, kinds[name]) for name in shown]
    others: dict[tuple[str, ...], list[str]] = {}
    for name in vehicles.index:
        if name not in place:
            others.setdefault(tuple(kinds[name].values()), []).append(name)
    for _, names in sorted(others.items()):
        place |= dict.fromkeys(names, len(bins))
        bins.append(Bin("", len(names), kinds[names[0]]))
    return bins, place


def weeks_of(data: FleetData, bins: Sequence[Bin], place: Mapping[str, int], say: Language) -> Weeks:
    """Count the standstills of every week. place: vehicle -> number of its bin."""
    day = data.days.day
    first = int(monday(day.min())) if len(day) else 0
    n = (int(monday(day.max())) - first) // 7 + 1 if len(day) else 0
    at = np.array([place[name] for name in data.days.names], dtype=np.int64)[data.days.vehicle]
    week = (day - first) // 7

    def summed(column: str) -> FloatArray:
        table = np.zeros((len(bins), n))
        np.add.at(table, (at, week), np.nan_to_num(data.days[column]))
        return table

    refusals = data.refusals
    totals = refusals.groupby("condition")["refusals"].sum()
    order = sorted(totals.index, key=lambda name: (name == "", -totals[name], name))
    counts = np.zeros((len(bins), GRANTED + len(order), n))
    counts[:, 0], counts[:, 1] = summed("stopped"), summed("cut_short")
    row = {name: number for number, name in enumerate(order, start=GRANTED)}
    cells = (
        refusals["vehicle"].map(place).to_numpy(np.int64),
        refusals["condition"].map(row).to_numpy(np.int64),
        (refusals["day"].to_numpy("datetime64[D]").astype(np.int64) - first) // 7,
    )
    np.add.at(counts, cells, refusals["refusals"].to_numpy(np.float64))
    conditions = (say.name(name) if name else say("cause not visible") for name in order)
    return Weeks(
        days=tuple(str(np.datetime64(first + 7 * number, "D")) for number in range(n)),
        names=(say("Engine stopped"), say("Stop ended early by the vehicle"), *conditions),
        bins=tuple(bins),
        counts=counts,
        asked=summed("opportunities"),
        refused=summed("refused"),
        lost_s=summed("lost_idle_s"),
    )
