"""What the fleet's views are made of, in memory: vehicles, their days, refusals, findings, events."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fleet.facts import fact_rows
from fleet.store import Damage, Store
from fleet.tables import TABLES, schema_of, table_of
from idle_stop.analysis import Analysis

RECENT_DAYS = 28  # the level of a figure is that of the last weeks
Frame = Any  # pandas.DataFrame; pandas is imported where it is used
_NEEDED = {
    "recordings": (
        "recording",
        "vehicle",
        "platform",
        "time",
        "end",
        "duration_s",
        "battery_type",
        "capacity_rated",
        "crank_rated_a",
        "soc_limit",
        "idle_l_per_h",
        "battery_only",
    ),
    "daily": tuple(column.name for column in TABLES["daily"]),
    "refusals": ("vehicle", "day", "condition", "group", "refusals", "alone", "lost_idle_s"),
    "findings": ("vehicle", "recording", "time", "code", "weight", "possible"),
    "events": ("vehicle", "time", "kind"),
}
_SUMS = (
    *(
        "drives",
        "drive_s",
        "opportunities",
        "trips",
        "stopped",
        "cut_short",
        "refused",
        "by_design",
        "hidden",
        "battery",
    ),
    *("standstill_s", "stop_s", "lost_idle_s", "cranks", "rests", "nights", "asleep_h"),
    *("charged_ah", "discharged_ah", "parked_ah"),
)
_WEIGHTED = {
    "resistance_mohm": "cranks",
    "crank_min_v": "drives",
    "crank_c": "drives",
    "rest_soc": "rests",
    "rest_c": "rests",
    "asleep_ma": "asleep_h",
    "coverage": "drive_s",
    "temperature_c": "",
}


@dataclass(frozen=True, slots=True, eq=False)
class FleetData:
    """vehicles: by name; platform, battery_type, battery, depot, soc_limit, crank_rated_a, idle_l_per_h, first, last,
    recordings. daily: vehicle, day and the figures of the table daily, one row a vehicle and day, with the shares of
    `fleet.metrics.SHARES` [%]. refusals, findings: as the tables. events: vehicle, day, kind. undated: recordings
    without a date, which no trend can use. damage: files of the store that were set aside.
    """

    vehicles: Frame
    daily: Frame
    refusals: Frame
    findings: Frame
    events: Frame
    recordings: int
    undated: int
    damage: tuple[Damage, ...] = ()
    weeks: tuple[Any, ...] = field(default=())

    @property
    def last_day(self) -> Any:
        """The latest day with data, NaT where there is none."""
        return self.daily["day"].max()


def fleet_of_store(store: Store, *, vehicle: str | None = None, only: str = "") -> FleetData:
    """Read what the views need. vehicle: of this one alone. only: "daily" leaves out what trends do not need."""
    snapshot = store.snapshot()
    spared = ("refusals", "findings") if only == "daily" else ()
    frames = {
        name: schema_of(name).empty_table().to_pandas(date_as_object=False)
        if name in spared
        else store.frame(name, columns, vehicle=vehicle, at=snapshot)
        for name, columns in _NEEDED.items()
    }
    frames |= {name: store.frame(name) for name in ("vehicles", "visits")}
    return fleet_of(frames, tuple(store.damage.values()))


def fleet_of_analyses(analyses: Iterable[Analysis]) -> FleetData:
    """The same without a store, from analyses in memory."""
    return fleet_of_rows(fact_rows(analysis) for analysis in analyses)


def fleet_of_rows(recordings: Iterable[Mapping[str, list[dict[str, Any]]]]) -> FleetData:
    """The same from the rows that `fleet.facts.fact_rows` made of each recording."""
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in _NEEDED}
    for made in recordings:
        for name in _NEEDED:
            rows[name] += made[name]
    frames = {
        name: table_of(name, rows[name]).select(list(_NEEDED[name])).to_pandas(date_as_object=False) for name in _NEEDED
    }
    frames |= {name: table_of(name, []).to_pandas() for name in ("vehicles", "visits")}
    return fleet_of(frames)


def fleet_of(frames: Mapping[str, Frame], damage: tuple[Damage, ...] = ()) -> FleetData:
    """Put the tables together. frames: recordings, daily, refusals, findings, events, vehicles, visits."""
    recordings = frames["recordings"]
    daily = _one_row_a_day(frames["daily"])
    return FleetData(
        vehicles=_vehicles(recordings, frames["vehicles"]),
        daily=daily,
        refusals=_plain_words(frames["refusals"]),
        findings=_plain_words(frames["findings"]),
        events=_events(frames["events"], frames["visits"]),
        recordings=len(recordings),
        undated=int(recordings["time"].isna().sum()),
        damage=damage,
    )


def _plain_words(frame: Frame) -> Frame:
    """Categories as plain strings, so that groups without rows do not show up."""
    words = [name for name in frame.columns if str(frame[name].dtype) == "category"]
    return frame.astype(dict.fromkeys(words, "object")) if words else frame


def _one_row_a_day(daily: Frame) -> Frame:
    """Rows of several recordings of one vehicle and day as one: sums, and means by what is behind them."""
    import pandas as pd

    frame = _plain_words(daily.drop(columns=["recording"]))
    if frame.duplicated(["vehicle", "day"]).any():
        weights = {}
        for column, by in _WEIGHTED.items():
            weight = frame[by].astype(float) if by else pd.Series(1.0, frame.index)
            weight = weight.where(frame[column].notna(), 0.0)
            weights[column] = weight
            frame[column] = frame[column].astype(float) * weight
        for column, weight in weights.items():
            frame[f"_{column}"] = weight
        how = dict.fromkeys([*_SUMS, *_WEIGHTED, *(f"_{column}" for column in _WEIGHTED)], "sum") | {"soc_min": "min"}
        frame = frame.groupby(["vehicle", "day"], sort=True, as_index=False).agg(how)
        for column in _WEIGHTED:
            frame[column] = frame[column] / frame.pop(f"_{column}").replace(0.0, np.nan)
    else:
        frame = frame.sort_values(["vehicle", "day"], ignore_index=True)
    frame["suited"] = frame["opportunities"] - frame["by_design"]
    asked = frame["suited"].astype(float).replace(0.0, np.nan)
    frame["stop_rate"] = 100.0 * (frame["stopped"] + frame["cut_short"]) / asked
    frame["battery_share"] = 100.0 * frame["battery"] / asked
    frame["refusals"] = frame["refused"] - frame["by_design"]
    frame["refused_share"] = 100.0 * frame["refusals"] / asked
    frame["cranks_seen"] = frame["crank_min_v"].notna().astype(int) * np.maximum(frame["drives"], 1)
    return frame


def _vehicles(recordings: Frame, manifest: Frame) -> Frame:
    """A row a vehicle: what its latest recording and the latest manifest say."""
    import pandas as pd

    plain = _plain_words(recordings).sort_values(["vehicle", "time", "recording"], na_position="first")
    groups = plain.groupby("vehicle", sort=True)
    columns = ["platform", "battery_type", "capacity_rated", "crank_rated_a", "soc_limit", "idle_l_per_h"]
    frame = groups[columns].last()
    frame["first"], frame["last"] = groups["time"].min(), groups["end"].max()
    frame["recordings"] = groups.size()
    newest = plain["vehicle"].map(frame["last"])
    fresh = plain["time"].isna() | (plain["time"] > newest - pd.Timedelta(days=RECENT_DAYS))
    frame["recent"] = fresh.groupby(plain["vehicle"]).sum()
    frame["battery_only"] = groups["battery_only"].all()
    known = _plain_words(manifest).set_index("vehicle") if len(manifest) else pd.DataFrame(columns=["battery", "depot"])
    for column in ("battery", "depot"):
        frame[column] = known[column].reindex(frame.index).fillna("") if len(known) else ""
    return frame


def _events(events: Frame, visits: Frame) -> Frame:
    """Events of recordings and visits of manifests in one table: vehicle, day, kind."""
    import pandas as pd

    seen = _plain_words(events).dropna(subset=["time"])
    told = _plain_words(visits)
    days = pd.DataFrame(
        {
            "vehicle": seen["vehicle"],
            "day": seen["time"].dt.tz_localize(None).dt.floor("D"),
            "kind": seen["kind"],
        }
    )
    more = pd.DataFrame({"vehicle": told["vehicle"], "day": pd.to_datetime(told["day"]), "kind": told["kind"]})
    frames = [frame for frame in (days, more) if len(frame)]
    if not frames:
        return pd.DataFrame({"vehicle": [], "day": pd.to_datetime([]), "kind": []})
    both = pd.concat([frame.astype({"day": "datetime64[us]"}) for frame in frames])
    return both.sort_values(["vehicle", "day", "kind"], ignore_index=True)
