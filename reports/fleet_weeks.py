"""Refusals by reason and week, as a table that the page's filters count anew."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from decoder.frames import FloatArray
from fleet.days import monday
from fleet.fleet_data import FleetData
from reports.language import Language
from reports.plain import plain


@dataclass(frozen=True, slots=True, eq=False)
class Weeks:
    """days: first day of each week, Monday, ISO. names: conditions, the most frequent first. counts: (r, w) refusals.

    asked, refused, lost_s: (v, w) of each vehicle: standstills, of them refused, idling that cost [s].
    rows: for each vehicle (reason, week, refusals) wherever there is one. vehicles: in order of the data.
    """

    days: tuple[str, ...]
    names: tuple[str, ...]
    counts: FloatArray
    vehicles: tuple[str, ...]
    asked: FloatArray
    refused: FloatArray
    lost_s: FloatArray
    rows: tuple[tuple[tuple[int, int, int], ...], ...]

    def to_json(self) -> dict[str, Any]:
        """What the page's script counts from."""
        return {
            "weeks": self.days,
            "reasons": len(self.names),
            "vehicles": {
                name: {
                    "a": self.asked[place].astype(int).tolist(),
                    "r": self.refused[place].astype(int).tolist(),
                    "l": np.round(self.lost_s[place]).astype(int).tolist(),
                    "c": self.rows[place],
                }
                for place, name in enumerate(self.vehicles)
            },
        }


def weeks_of(data: FleetData, say: Language) -> Weeks:
    """Count refusals by condition and week. A refusal for which several conditions failed counts for each of them."""
    vehicles = tuple(str(name) for name in data.vehicles.index)
    day = data.days.day
    first = int(monday(day.min())) if len(day) else 0
    n = (int(monday(day.max())) - first) // 7 + 1 if len(day) else 0
    place = {name: number for number, name in enumerate(vehicles)}
    row = np.array([place[name] for name in data.days.names], dtype=np.int64)[data.days.vehicle]
    week = (day - first) // 7

    def summed(column: str) -> FloatArray:
        table = np.zeros((len(vehicles), n))
        np.add.at(table, (row, week), data.days[column])
        return table

    totals = data.refusals.groupby("condition")["refusals"].sum()
    order = sorted(totals.index, key=lambda name: (name == "", -totals[name], name))
    reason = {name: number for number, name in enumerate(order)}
    counts = np.zeros((len(order), n))
    rows: list[dict[tuple[int, int], int]] = [{} for _ in vehicles]
    at = (data.refusals["day"].to_numpy("datetime64[D]").astype(np.int64) - first) // 7
    sums = data.refusals.assign(week=at).groupby(["vehicle", "condition", "week"])["refusals"].sum()
    for (vehicle, condition, week_), refusals in sums.items():
        counts[reason[condition], week_] += refusals
        rows[place[vehicle]][reason[condition], int(week_)] = int(refusals)
    return Weeks(
        days=tuple(str(np.datetime64(first + 7 * number, "D")) for number in range(n)),
        names=tuple(plain(name) if name else say("cause not visible") for name in order),
        counts=counts,
        vehicles=vehicles,
        asked=summed("opportunities"),
        refused=summed("refused"),
        lost_s=summed("lost_idle_s"),
        rows=tuple(tuple((r, w, count) for (r, w), count in sorted(cells.items())) for cells in rows),
    )
