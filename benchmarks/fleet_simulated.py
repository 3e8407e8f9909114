"""A fleet's weeks with a known truth, drawn without anything of the analysis: what a store would hold of them.

Every crank, night and standstill is drawn; days are made of them with plain medians and means. The weather has a
season, a daily spread and one cold snap; the temperature correction of the resistance is wrong by a little in every
vehicle, as in life. Sizes of the noise: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fleet.fleet_data import FleetData, fleet_of
from fleet.tables import schema_of

FIRST = np.datetime64("2025-09-01")
MONTH = 30.44


@dataclass(frozen=True, slots=True)
class Fault:
    """What truly happens to a vehicle. rise: of the resistance a month. drain_a: drawn in addition while parked [A]."""

    rise: float = 0.0
    drain_a: float = 0.0
    from_day: int = 0


@dataclass(frozen=True, slots=True)
class Weather:
    """season_k: from first day to day 84. snap_k, snap_from, snap_days: the cold snap."""

    start_c: float = 14.0
    season_k: float = -8.0
    snap_k: float = -25.0
    snap_from: int = 38
    snap_days: int = 10

    def celsius(self, days: int, rng: Any) -> Any:
        day = np.arange(days)
        snap = (day >= self.snap_from) & (day < self.snap_from + self.snap_days)
        return self.start_c + self.season_k * day / 84 + self.snap_k * snap + rng.normal(0, 2.5, days)


def simulate(vehicles: Mapping[str, Fault], days: int = 84, *, seed: int = 1, weather: Weather | None = None) -> Any:
    """Tables `recordings` and `daily` of the vehicles as pandas frames, one recording a day each."""
    sky = weather or Weather()
    daily, recordings = [], []
    for number, (name, fault) in enumerate(vehicles.items()):
        rng = np.random.default_rng((seed, number))
        kind = ("agm", "efb", "flooded")[number % 3]
        rating = {"agm": 760.0, "efb": 640.0, "flooded": 600.0}[kind]
        frame = _days(rng, fault, sky.celsius(days, rng), rating)
        frame.insert(0, "vehicle", name)
        frame.insert(0, "recording", [f"{name}-{day:03d}" for day in range(days)])
        daily.append(frame)
        recordings.append(_recordings(name, kind, rating, frame))
    return {"recordings": pd.concat(recordings, ignore_index=True), "daily": pd.concat(daily, ignore_index=True)}


def _days(rng: Any, fault: Fault, celsius: Any, rating: float) -> Any:
    days = len(celsius)
    new = 1000 * 2.7 / rating * rng.uniform(0.95, 1.15)
    wrong = rng.normal(0.0, 0.0015)  # error of the temperature correction, of the resistance a kelvin
    trips = rng.integers(2, 7, days)
    since = np.maximum(np.arange(days) - fault.from_day, 0)
    worn = new * (1 + fault.rise * since / MONTH)
    usual = rng.uniform(0.012, 0.030)
    night = usual * rng.normal(1.0, 0.08, days) + fault.drain_a * (np.arange(days) >= fault.from_day)
    night += 0.010 * (rng.random(days) < 0.05)  # a wake-up too many
    charge = _charge(rng, celsius, night, days)
    rows = []
    for day in range(days):
        n = int(trips[day])
        engine = int(rng.poisson(3.0 * n))
        cranks = worn[day] * rng.normal(1.0, 0.01) * (1 + wrong * (celsius[day] - 25)) * rng.normal(1, 0.03, n + engine)
        drawn = 165.0 * (1 + 0.006 * (25 - celsius[day])) * rng.normal(1, 0.03, n + engine)
        cold = 1 + 0.010 * np.clip(25 - celsius[day], 0, None)
        lowest = 12.5 + 0.008 * (charge[day] - 80) - 1.6 * drawn * cranks * cold / 1000
        rows.append(_one_day(rng, n, cranks, lowest, celsius[day], charge[day]))
    frame = pd.DataFrame(rows)
    frame["day"] = pd.to_datetime(FIRST + np.arange(days))
    rested = rng.random(days) < 0.6
    frame["rests"] = rested.astype(int)
    frame["rest_soc"] = np.where(rested, charge + rng.normal(0, 2.0, days), np.nan)
    frame["rest_c"] = celsius
    frame["crank_c"] = celsius
    frame["temperature_c"] = celsius
    slept = rng.random(days) < 0.85
    frame["nights"] = slept.astype(int)
    frame["asleep_h"] = np.where(slept, 10.0, 0.0)
    frame["asleep_ma"] = np.where(slept, 1000 * night, np.nan)
    frame["parked_s"] = 86400 - frame["drive_s"]
    frame["parked_ah"] = night * frame["parked_s"] / 3600
    frame["soc_min"] = charge - 4
    return frame


def _charge(rng: Any, celsius: Any, night: Any, days: int) -> Any:
    """Charge settles where driving gives back what parking takes; cold lowers it, a drain too, over days."""
    level = 86 + rng.normal(0, 3) - 0.18 * (14 - celsius) - 45 * (night - 0.02)
    charge = np.empty(days)
    now = level[0]
    for day in range(days):
        now += 0.25 * (level[day] - now) + rng.normal(0, 0.8)
        charge[day] = min(now, 100)
    return charge


def _one_day(rng: Any, trips: int, cranks: Any, lowest: Any, celsius: float, charge: float) -> dict[str, Any]:
    asked = int(rng.poisson(5.0 * trips))
    too_cold = celsius < 2.0  # the vehicle's own rule: refused by design
    refused = asked if too_cold else int(rng.binomial(asked, 0.10))
    by_charge = 0 if too_cold else int(rng.binomial(refused, 0.2 if charge > 78 else 0.8))
    seconds = float(rng.gamma(4.0, 6.0, asked).sum())
    lost = seconds * refused / asked if asked else 0.0
    compared = charge > 70
    return {
        "drives": trips,
        "drive_s": 1500.0 * trips,
        "opportunities": asked,
        "trips": trips if asked else 0,
        "stopped": asked - refused,
        "cut_short": 0,
        "refused": refused,
        "by_design": refused if too_cold else 0,
        "hidden": 0,
        "battery": by_charge,
        "standstill_s": seconds,
        "stop_s": seconds - lost,
        "lost_idle_s": lost,
        "cranks": len(cranks) if compared else 0,
        "resistance_mohm": float(np.median(cranks)) if compared else np.nan,
        "crank_min_v": float(np.median(lowest)),
        "charged_ah": 1.5 * trips,
        "discharged_ah": 0.6 * trips,
        "coverage": 1.0,
    }


def _recordings(name: str, kind: str, rating: float, daily: Any) -> Any:
    start = daily["day"].dt.tz_localize("UTC")
    return pd.DataFrame(
        {
            "recording": daily["recording"],
            "vehicle": name,
            "platform": f"simulated-{kind}",
            "time": start,
            "end": start + pd.Timedelta(hours=23),
            "duration_s": 23 * 3600.0,
            "battery_type": kind,
            "capacity_rated": 70.0,
            "crank_rated_a": rating,
            "soc_limit": 72.0,
            "idle_l_per_h": 0.7,
            "battery_only": False,
        }
    )


def fleet_drawn(frames: Mapping[str, Any]) -> FleetData:
    """The fleet's data of frames by table's name; tables that are missing have no rows."""
    names = ("recordings", "daily", "refusals", "findings", "events", "vehicles", "visits")
    empty = {name: schema_of(name).empty_table() for name in names}
    return fleet_of(empty | {name: arrow_of(name, frame) for name, frame in frames.items()})


def arrow_of(table: str, frame: pd.DataFrame) -> Any:
    """A frame as an Arrow table of the store; missing columns are null."""
    import pyarrow as pa

    schema = schema_of(table)
    columns = {
        field.name: pa.array(frame[field.name], from_pandas=True).cast(field.type)
        if field.name in frame
        else pa.nulls(len(frame), field.type)
        for field in schema
    }
    return pa.table(columns, schema=schema)
