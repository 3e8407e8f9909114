"""One row a vehicle and day as plain columns: what trends and the fleet's views count from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decoder.frames import FloatArray
from fleet.parquet import numbers

_RETURNED = 0.95  # of the charge put in, what comes out again; common practice, no source
_WEEK_KNOWN = 0.9  # least share of a week's hours with the current known; common practice, no source

# Columns of the table daily that add up over recordings of one day; means have what is behind them beside them.
_SUMS = (
    *("drives", "drive_s", "opportunities", "trips", "stopped", "cut_short", "refused", "by_design", "hidden"),
    *("battery", "standstill_s", "stop_s", "lost_idle_s", "cranks", "rests", "nights", "asleep_h", "parked_s"),
    *("charged_ah", "discharged_ah", "parked_ah"),
)
_MEANS = {
    "resistance_mohm": "cranks",
    "crank_min_v": "drives",
    "crank_c": "drives",
    "rest_soc": "rests",
    "rest_c": "rests",
    "asleep_ma": "asleep_h",
    "coverage": "drive_s",
    "temperature_c": "",
}
COLUMNS = (*_SUMS, *_MEANS)


def _share(part: FloatArray, whole: FloatArray) -> FloatArray:
    """Percent; NaN of nothing."""
    return 100.0 * part / np.where(whole > 0, whole, np.nan)


# Columns made of others: what they need, and how.
_MADE: dict[str, tuple[tuple[str, ...], Callable[..., FloatArray]]] = {
    "one": (("drives",), np.ones_like),
    "suited": (("opportunities", "by_design"), np.subtract),
    "stops": (("stopped", "cut_short"), np.add),
    "refusals": (("refused", "by_design"), np.subtract),
    "stop_rate": (("stops", "suited"), _share),
    "battery_share": (("battery", "suited"), _share),
    "refused_share": (("refusals", "suited"), _share),
    "auto_stop_share": (("stop_s", "standstill_s"), _share),
    "standstill_min": (("standstill_s",), lambda seconds: seconds / 60),
    "cranks_seen": (("crank_min_v", "drives"), lambda volts, drives: np.isfinite(volts) * np.maximum(drives, 1.0)),
    "covered_s": (("coverage", "drive_s"), lambda share, seconds: np.nan_to_num(share) * seconds),
    "known_h": (("covered_s", "parked_s"), lambda driven, parked: (driven + parked) / 3600),
    "balance_ah": (
        ("charged_ah", "discharged_ah", "parked_ah", "known_h"),
        lambda put_in, drawn, parked, known: np.where(
            known >= _WEEK_KNOWN * 168, _RETURNED * put_in - drawn - parked, np.nan
        ),
    ),
}


def columns_behind(names: Iterable[str]) -> tuple[str, ...]:
    """Columns of the table daily that these are made of, and those that weigh them."""
    found: dict[str, None] = {}
    for name in names:
        if name in _MADE:
            found |= dict.fromkeys(columns_behind(_MADE[name][0]))
        elif name:
            found[name] = None
            if weight := _MEANS.get(name):
                found[weight] = None
    return tuple(found)


@dataclass(frozen=True, slots=True, eq=False)
class Days:
    """Rows by vehicle, then day. names: of the vehicles, rising. first: (v + 1,) the first row of each, and the end.

    vehicle: (n,) place in names. day: (n,) Monday instead where it is a week [days since 1970]. columns: (n,) each, NaN
    where unknown; those made of others are made when they are asked for.
    """

    names: tuple[str, ...]
    first: NDArray[np.int64]
    vehicle: NDArray[np.int64]
    day: NDArray[np.int64]
    columns: Mapping[str, FloatArray]
    _made: dict[str, FloatArray] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.day)

    def __getitem__(self, name: str) -> FloatArray:
        if name in self.columns:
            return self.columns[name]
        if name not in self._made:
            needs, make = _MADE[name]
            self._made[name] = make(*(self[one] for one in needs))
        return self._made[name]

    def of_vehicles(self, name: str) -> FloatArray:
        """(v,) sum of a column over each vehicle's days."""
        return np.bincount(self.vehicle, np.nan_to_num(self[name]), len(self.names)).astype(np.float64)

    def of(self, names: AbstractSet[str]) -> Days:
        """The days of some vehicles."""
        there = np.array([name in names for name in self.names], dtype=bool)
        kept = there[self.vehicle] if len(self) else np.empty(0, dtype=bool)
        place = np.cumsum(there) - 1
        columns = {name: values[kept] for name, values in self.columns.items()}
        left = tuple(name for name in self.names if name in names)
        return _grouped(left, place[self.vehicle[kept]], self.day[kept], columns)

    def weekly(self) -> Days:
        """Sums of each vehicle's weeks, from Monday, and their temperature; other means are left out."""
        sums = {name: values for name, values in self.columns.items() if name in _SUMS}
        if "coverage" in self.columns:
            sums["covered_s"] = self["covered_s"]
        celsius = self["temperature_c"]
        weights = {"temperature_c": np.isfinite(celsius).astype(float)}
        return _grouped(self.names, self.vehicle, monday(self.day), sums | {"temperature_c": celsius}, weights)


def _days_of(names: Sequence[str], vehicle: Any, day: Any, columns: Mapping[str, Any]) -> Days:
    """Rows of several recordings of one vehicle and day as one: sums, and means by what is behind them.

    names: (k,) any order, no one twice. vehicle: (n,) place in names. day: (n,) [days since 1970]. columns: (n,) of
    `COLUMNS`; missing ones are not looked at.
    """
    order = np.argsort(np.asarray(names, dtype=object), kind="stable")
    place = np.empty(len(names), dtype=np.int64)
    place[order] = np.arange(len(names))
    sums: dict[str, FloatArray] = {}
    weights: dict[str, FloatArray] = {}
    for name, values in columns.items():
        known = np.asarray(values, dtype=np.float64)
        if name in _MEANS:
            weight = columns[_MEANS[name]] if _MEANS[name] else np.ones(len(known))
            weights[name] = np.where(np.isfinite(known), np.nan_to_num(np.asarray(weight, dtype=np.float64)), 0.0)
        sums[name] = known
    rising = tuple(names[one] for one in order)
    return _grouped(rising, place[np.asarray(vehicle, dtype=np.int64)], np.asarray(day, dtype=np.int64), sums, weights)


def days_of_table(table: Any) -> Days:
    """Rows of the table daily, an Arrow table with vehicle, day and some of `COLUMNS`."""
    import pyarrow as pa

    words = table.column("vehicle").combine_chunks()
    if not isinstance(words, pa.DictionaryArray):
        words = words.dictionary_encode()
    names = words.dictionary.to_pylist()
    columns = {name: numbers(table.column(name)) for name in table.column_names if name in COLUMNS}
    day = numbers(table.column("day").cast(pa.date32()).cast(pa.int32()))
    return _days_of(names, numbers(words.indices), day, columns)


def _grouped(
    names: tuple[str, ...], vehicle: Any, day: Any, sums: Mapping[str, Any], weights: Mapping[str, Any] | None = None
) -> Days:
    """Rows of the same vehicle and day put together. weights: of the columns of sums that are means."""
    key = vehicle * (1 << 24) + day
    if (key[1:] <= key[:-1]).any():
        order = np.argsort(key, kind="stable")
        key, vehicle, day = key[order], vehicle[order], day[order]
        sums = {name: values[order] for name, values in sums.items()}
        weights = {name: values[order] for name, values in (weights or {}).items()}
        starts = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
        if len(starts) < len(key):
            sums = {name: _added(values, (weights or {}).get(name), starts) for name, values in sums.items()}
            vehicle, day = vehicle[starts], day[starts]
    present = np.bincount(vehicle, minlength=len(names))
    return Days(names, np.concatenate([[0], np.cumsum(present)]), vehicle, day, sums)


def _added(values: FloatArray, weight: FloatArray | None, starts: Any) -> FloatArray:
    """Sums of groups of rows, or means by their weight; a sum of unknown alone is unknown."""
    known = np.isfinite(values)
    total = np.add.reduceat(np.where(known, values, 0.0) * (1.0 if weight is None else weight), starts)
    if weight is None:
        return np.where(np.logical_or.reduceat(known, starts), total, np.nan)
    by = np.add.reduceat(weight, starts)
    return total / np.where(by > 0, by, np.nan)


def monday(day: Any) -> Any:
    """The Monday on or before a day [days since 1970, which was a Thursday]."""
    return day - (day + 3) % 7
