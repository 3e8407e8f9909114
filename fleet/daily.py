"""One day of one recording in figures, and its refusals by condition: what the fleet's views are made of."""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from collections.abc import Set as AbstractSet
from typing import Any

Row = dict[str, Any]

_DAY_US = 86_400_000_000
_NIGHT_S = 4 * 3600.0  # shortest rest that tells of the draw asleep; common practice, no source
_ENOUGH_SOC = 70.0  # charge above which a crank's resistance is compared [%]; common practice, no source


def daily_rows(rows: Mapping[str, list[Row]]) -> list[Row]:
    """One row a UTC day from the rows of one recording; none where the recording knows no date.

    A standstill, a start and a drive count for the day they began; a rest for the day it ended, the charge drawn in it
    for each day it lies in.
    """
    standstills = _by_day(rows["standstills"], _begun)
    starts = _by_day(rows["starts"], _begun)
    drives = _by_day(rows["drives"], _begun)
    rests = _by_day(rows["rests"], _ended)
    parked = _parked_by_day(rows["rests"])
    by_temperature = {row["standstill"] for row in rows["reasons"] if row["alone"] and "temperature" in row["role"]}
    days = sorted({*standstills, *starts, *drives, *rests, *parked})
    return [
        {
            "day": day,
            **_stops(standstills[day], by_temperature),
            **_cranks(starts[day]),
            **_rested(rests[day]),
            "parked_s": math.fsum(seconds for seconds, _ in parked[day]),
            "parked_ah": math.fsum(drawn for _, drawn in parked[day]),
            **_driven(drives[day]),
            **_over_all(standstills[day], starts[day], rests[day]),
        }
        for day in days
    ]


def refusal_rows(rows: Mapping[str, list[Row]]) -> list[Row]:
    """Refused standstills of each day by condition; those without a visible cause under the condition ""."""
    reasons: dict[int, list[Row]] = defaultdict(list)
    for reason in rows["reasons"]:
        reasons[reason["standstill"]].append(reason)
    found: dict[tuple[int, str, str], list[tuple[bool, float]]] = defaultdict(list)
    for standstill in rows["standstills"]:
        if standstill["outcome"] != "refused" or standstill["time"] is None:
            continue
        day, lost = _begun(standstill) // _DAY_US, standstill["lost_idle_s"]
        nothing: Row = {"condition": "", "group": "", "alone": False}
        for reason in reasons[standstill["row"]] or (nothing,):
            found[day, reason["condition"], reason["group"]].append((reason["alone"], lost))
    return [
        {
            "day": day,
            "condition": condition,
            "group": group,
            "refusals": len(cases),
            "alone": sum(alone for alone, _ in cases),
            "lost_idle_s": math.fsum(lost for _, lost in cases),
        }
        for (day, condition, group), cases in sorted(found.items())
    ]


def _begun(row: Row) -> int:
    return int(row["time"])


def _ended(row: Row) -> int:
    return int(row["time"]) + int(row["seconds"] * 1e6)


def _by_day(rows: Iterable[Row], instant: Callable[[Row], int]) -> defaultdict[int, list[Row]]:
    """Rows by day [days since 1970]; those without a date are left out."""
    days: defaultdict[int, list[Row]] = defaultdict(list)
    for row in rows:
        if row["time"] is not None:
            days[instant(row) // _DAY_US].append(row)
    return days


def _stops(standstills: list[Row], by_temperature: AbstractSet[int]) -> Row:
    """by_temperature: numbers of standstills that a temperature condition alone refused."""
    asked = [row for row in standstills if row["outcome"] != "not_sought"]
    refused = [row for row in asked if row["outcome"] == "refused"]
    return {
        "opportunities": len(asked),
        "trips": len({row["drive"] for row in asked}),
        "stopped": sum(row["outcome"] == "stopped" for row in asked),
        "cut_short": sum(row["outcome"] == "cut_short" for row in asked),
        "refused": len(refused),
        "hidden": sum(not row["reasons"] for row in refused),
        "by_design": sum(row["row"] in by_temperature for row in refused),
        "battery": sum(row.get("sole_group") == "electrical" and row["row"] not in by_temperature for row in refused),
        "standstill_s": math.fsum(row["seconds"] for row in asked),
        "stop_s": math.fsum(row["stop_s"] for row in asked),
        "lost_idle_s": math.fsum(row["lost_idle_s"] for row in refused),
    }


def _cranks(starts: list[Row]) -> Row:
    seen = [row for row in starts if row["resolved"]]
    good = [
        row["resistance_mohm"]
        for row in seen
        if math.isfinite(row["resistance_mohm"]) and row["soc"] > _ENOUGH_SOC  # an unknown charge is not above it
    ]
    return {
        "cranks": len(good),
        "resistance_mohm": _median(good),
        "crank_min_v": _median(row["min_v"] for row in seen),
        "crank_c": _median(row["temperature_c"] for row in seen),
    }


def _rested(rests: list[Row]) -> Row:
    settled = [row for row in rests if row["settled"] == "settled" and math.isfinite(row["soc"])]
    nights = [row for row in rests if row["seconds"] >= _NIGHT_S and math.isfinite(row["asleep_ma"])]
    hours = math.fsum(row["seconds"] for row in nights) / 3600
    return {
        "rests": len(settled),
        "rest_soc": _mean(row["soc"] for row in settled),
        "rest_c": _mean(row["temperature_c"] for row in settled),
        "asleep_ma": -math.fsum(row["asleep_ma"] * row["seconds"] for row in nights) / hours / 3600 if hours else None,
        "asleep_h": hours,
        "nights": len(nights),
    }


def _parked_by_day(rests: Iterable[Row]) -> defaultdict[int, list[tuple[float, float]]]:
    """Day -> seconds parked with the current known, and charge drawn in them [Ah], of each rest that lies in it."""
    days: defaultdict[int, list[tuple[float, float]]] = defaultdict(list)
    for row in rests:
        if row["time"] is None or not math.isfinite(row["mean_ma"]):
            continue
        begin, end = _begun(row), _ended(row)
        for day in range(begin // _DAY_US, end // _DAY_US + 1):
            seconds = (min(end, (day + 1) * _DAY_US) - max(begin, day * _DAY_US)) / 1e6
            if seconds > 0:
                days[day].append((seconds, -row["mean_ma"] * seconds / 3.6e6))
    return days


def _driven(drives: list[Row]) -> Row:
    seconds = math.fsum(row["seconds"] for row in drives)
    covered = [row["coverage"] * row["seconds"] for row in drives if math.isfinite(row["coverage"])]
    return {
        "drives": len(drives),
        "drive_s": seconds,
        "charged_ah": math.fsum(row["charged_ah"] for row in drives if math.isfinite(row["charged_ah"])),
        "discharged_ah": math.fsum(row["discharged_ah"] for row in drives if math.isfinite(row["discharged_ah"])),
        "coverage": math.fsum(covered) / seconds if seconds else None,
    }


def _over_all(standstills: list[Row], starts: list[Row], rests: list[Row]) -> Row:
    charge = [row["soc"] for row in (*standstills, *starts, *rests) if math.isfinite(row["soc"])]
    return {
        "soc_min": min(charge, default=None),
        "temperature_c": _mean(row["temperature_c"] for row in (*standstills, *starts, *rests)),
    }


def _mean(values: Iterable[float]) -> float | None:
    known = [value for value in values if math.isfinite(value)]
    return math.fsum(known) / len(known) if known else None


def _median(values: Iterable[float]) -> float | None:
    known = [value for value in values if math.isfinite(value)]
    return statistics.median(known) if known else None
