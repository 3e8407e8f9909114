"""What the fleet's views are made of, in memory: vehicles, their history, refusals, findings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fleet.days import COLUMNS, Days
from fleet.facts import fact_rows
from fleet.history import History, history_of
from fleet.metrics import RECENT_DAYS
from fleet.store import Damage, Store
from fleet.tables import table_of
from idle_stop.analysis import Analysis
from signal_defs.errors import UsageError

Frame = Any  # pandas.DataFrame; pandas is imported where it is used
_OF_VEHICLE = ("platform", "battery_type", "capacity_rated", "crank_rated_a", "soc_limit", "idle_l_per_h")
_NEEDED = {
    "recordings": ("vehicle", "time", "end", *_OF_VEHICLE, "battery_only"),
    "daily": ("vehicle", "day", *COLUMNS),
    "refusals": ("vehicle", "day", "condition", "group", "refusals", "alone", "lost_idle_s"),
    "findings": ("vehicle", "time", "code", "weight", "possible"),
    "events": ("vehicle", "time", "kind"),
}


@dataclass(frozen=True, slots=True, eq=False)
class FleetData:
    """vehicles: by name, rising; platform, battery_type, battery, depot, soc_limit, crank_rated_a, idle_l_per_h, first,
    last; recordings, of them recent (of the last weeks) and undated (which no trend can use). refusals, findings: as
    the tables. damage: files of the store that were set aside.
    """

    vehicles: Frame
    history: History
    refusals: Frame
    findings: Frame
    damage: tuple[Damage, ...] = ()

    @property
    def days(self) -> Days:
        """The table daily, one row a vehicle and day."""
        return self.history.days

    def where(self, **wanted: str) -> FleetData:
        """The vehicles of which columns have these values, "" for any. Raises UsageError where there are none."""
        kept = self.vehicles
        for column, value in wanted.items():
            if value and value not in set(kept[column]):
                raise UsageError(
                    f"No vehicle has {column.replace('_', ' ')} {value!r}.",
                    mend=f"There is: {', '.join(sorted(set(kept[column])))}.",
                )
            kept = kept[kept[column] == value] if value else kept
        names = set(kept.index)
        return FleetData(
            kept,
            self.history.of(names),
            self.refusals[self.refusals["vehicle"].isin(names)],
            self.findings[self.findings["vehicle"].isin(names)],
            self.damage,
        )


def fleet_of_store(store: Store) -> FleetData:
    """Read what the views need."""
    snapshot = store.snapshot()
    tables = {name: store.read(name, columns, at=snapshot) for name, columns in _NEEDED.items()}
    tables |= {name: store.read_vehicles(name) for name in ("vehicles", "visits")}
    return fleet_of(tables, tuple(store.damage.values()))


def fleet_of_analyses(analyses: Iterable[Analysis]) -> FleetData:
    """The same without a store, from analyses in memory."""
    return fleet_of_rows(fact_rows(analysis) for analysis in analyses)


def fleet_of_rows(recordings: Iterable[Mapping[str, list[dict[str, Any]]]]) -> FleetData:
    """The same from the rows that `fleet.facts.fact_rows` made of each recording."""
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in (*_NEEDED, "vehicles", "visits")}
    for made in recordings:
        for name in _NEEDED:
            rows[name] += made[name]
    return fleet_of({name: table_of(name, rows[name]) for name in rows})


def fleet_of(tables: Mapping[str, Any], damage: tuple[Damage, ...] = ()) -> FleetData:
    """Put Arrow tables together: recordings, daily, refusals, findings, events, vehicles, visits."""
    recordings = tables["recordings"]
    return FleetData(
        vehicles=_vehicles(_frame(recordings), _frame(tables["vehicles"])),
        history=history_of(recordings, tables["daily"], tables["events"], tables["visits"]),
        refusals=_frame(tables["refusals"]),
        findings=_frame(tables["findings"]),
        damage=damage,
    )


def _frame(table: Any) -> Frame:
    """As pandas; words as plain strings, so that groups without rows do not show up."""
    frame = table.to_pandas(date_as_object=False)
    words = [name for name in frame.columns if str(frame[name].dtype) == "category"]
    return frame.astype(dict.fromkeys(words, "object")) if words else frame


def _vehicles(recordings: Frame, manifest: Frame) -> Frame:
    """A row a vehicle: what its latest recording and the latest manifest say."""
    import pandas as pd

    ordered = recordings.sort_values("time", na_position="first", kind="stable")
    groups = ordered.groupby("vehicle", sort=True)
    frame = groups[list(_OF_VEHICLE)].last()
    frame["first"], frame["last"] = groups["time"].min(), groups["end"].max()
    frame["recordings"] = groups.size()
    newest = groups["end"].transform("max")
    fresh = ordered["time"].isna() | (ordered["time"] > newest - pd.Timedelta(days=RECENT_DAYS))
    frame["recent"] = fresh.groupby(ordered["vehicle"]).sum()
    frame["undated"] = ordered["time"].isna().groupby(ordered["vehicle"]).sum()
    frame["battery_only"] = groups["battery_only"].all()
    known = manifest.set_index("vehicle")
    for column in ("battery", "depot"):
        frame[column] = known[column].reindex(frame.index).fillna("") if len(known) else ""
    return frame
