"""What trends are made of: vehicles, their days, and what happened to them when."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from decoder.frames import FloatArray
from fleet.days import Days, columns_behind, days_of_table
from fleet.metrics import Metric
from fleet.store import Store

_DAY_US = 86_400_000_000


@dataclass(frozen=True, slots=True)
class Event:
    """What happened to a vehicle. day: since 1970. kind: as in the tables events and visits."""

    day: float
    kind: str


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """names: all vehicles, rising, those without a day too. events: by vehicle, in order of time."""

    names: tuple[str, ...]
    days: Days
    events: Mapping[str, tuple[Event, ...]]

    def of(self, names: AbstractSet[str]) -> History:
        """Of some vehicles."""
        return History(tuple(name for name in self.names if name in names), self.days.of(names), self.events)


def history_of_store(store: Store, metric: Metric, *, vehicle: str | None = None) -> History:
    """Read no more than the trend of one metric needs. vehicle: of this one alone. Raises LogError as `Store.read`."""
    snapshot = store.snapshot()
    columns = columns_behind(
        (metric.column, metric.weight, metric.temperature, metric.counted, metric.out_of, "temperature_c")
    )
    needed = {"recordings": (), "daily": ("day", *columns), "events": ("time", "kind")}
    read = {
        table: store.read(table, ["vehicle", *names], vehicle=vehicle, at=snapshot) for table, names in needed.items()
    }
    return history_of(**read, visits=store.read_vehicles("visits"))


def history_of(recordings: Any, daily: Any, events: Any, visits: Any) -> History:
    """From Arrow tables of those names, with the columns that `history_of_store` asks for or more."""
    names = tuple(sorted(set(recordings.column("vehicle").unique().to_pylist())))
    return History(names, days_of_table(daily), _events(events, visits))


def _events(events: Any, visits: Any) -> dict[str, tuple[Event, ...]]:
    """Events that recordings show and visits that manifests tell of, by vehicle."""
    import pyarrow as pa

    found: dict[str, set[tuple[float, str]]] = {}
    for table, name, whole, unit in ((events, "time", pa.int64(), _DAY_US), (visits, "day", pa.int32(), 1)):
        columns = (table.column("vehicle"), table.column(name).cast(whole), table.column("kind"))
        for vehicle, at, kind in zip(*(column.to_pylist() for column in columns), strict=True):
            if at is not None:
                found.setdefault(vehicle, set()).add((float(at // unit), kind))
    return {vehicle: tuple(Event(day, kind) for day, kind in sorted(rows)) for vehicle, rows in found.items()}


class Rows(NamedTuple):
    """Days of one vehicle with a value of one metric, (n,) each. counts, totals: of a share, what is counted and out of
    how much.
    """

    day: FloatArray
    value: FloatArray
    weight: FloatArray
    temperature: FloatArray
    counts: FloatArray
    totals: FloatArray

    def where(self, kept: Any) -> Rows:
        """Some of the days."""
        return Rows(*(column[kept] for column in self))


def rows_of(
    history: History,
    metric: Metric,
    *,
    between_c: tuple[float, float] | None = None,
    names: Sequence[str] | None = None,
) -> Iterator[tuple[str, Rows]]:
    """Of each vehicle its days with a value, those without any too.

    between_c: only days whose temperature is in this class, lower end in, upper end out [degC]. names: of these alone.
    """
    days = history.days.weekly() if metric.weekly else history.days
    columns = _columns(metric, days)
    known = np.isfinite(columns.value)
    if between_c is not None:
        at = days[metric.temperature or "temperature_c"]
        known &= (at >= between_c[0]) & (at < between_c[1])
    place = {vehicle: number for number, vehicle in enumerate(days.names)}
    for vehicle in history.names if names is None else names:
        number = place.get(vehicle)
        rows = slice(0, 0) if number is None else slice(days.first[number], days.first[number + 1])
        yield vehicle, columns.where(rows).where(known[rows])


def _columns(metric: Metric, days: Days) -> Rows:
    """Of all vehicles."""
    weight = np.nan_to_num(days[metric.weight])
    return Rows(
        days.day.astype(np.float64),
        days[metric.column],
        weight,
        days[metric.temperature] if metric.temperature else np.zeros(len(days)),
        days[metric.counted] if metric.counted else weight,
        days[metric.out_of] if metric.out_of else weight,
    )
