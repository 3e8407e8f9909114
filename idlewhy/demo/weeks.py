"""Twelve vans over eight weeks of autumn, drawn as facts of a fleet's store: what a logger in each would have told.

No log is written, since weeks of frames would take hours: every crank, night, drive and standstill is drawn, with
nothing of the analysis. Sizes and noise: common practice, no source. The same seed gives the same store.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from fleet.daily import daily_rows, refusal_rows
from fleet.facts import recording_key, soc_limit
from fleet.parts import part_name
from fleet.store import Store
from fleet.tables import SCHEMA, TABLES, table_of
from signal_defs.load import load_platform
from signal_defs.platform import Platform

Row = dict[str, Any]

DAYS = 56
_FIRST = date(2024, 9, 30)  # a Monday
_DAY_US = 86_400_000_000
_MONTH = 30.44


@dataclass(frozen=True, slots=True)
class Tale:
    """What truly happens to a van. rise: of its resistance a month. drain_ma: more drawn while parked, from from_day.

    visit: day of its visit, 0 for none. kind: of the visit. cures: the visit ends the drain and brings a new battery's
    resistance.
    """

    vehicle: str
    depot: str
    rise: float = 0.0
    drain_ma: float = 0.0
    from_day: int = 0
    visit: int = 0
    kind: str = "visit"
    cures: bool = True


TALES = (
    Tale("round-01", "mill lane"),
    Tale("round-02", "mill lane"),
    Tale("round-03", "mill lane", drain_ma=110.0, from_day=8, visit=30),
    Tale("round-04", "mill lane"),
    Tale("round-05", "mill lane", rise=0.13),
    Tale("round-06", "mill lane"),
    Tale("round-07", "market square", drain_ma=90.0, from_day=26),
    Tale("round-08", "market square"),
    Tale("round-09", "market square", rise=0.22, visit=33, kind="battery"),
    Tale("round-10", "market square", drain_ma=70.0, visit=28, cures=False),
    Tale("round-11", "market square"),
    Tale("round-12", "market square"),
)


@dataclass(frozen=True, slots=True)
class _State:
    """A van on one day. rows: of its tables. drawn: while parked [mA]. worn: its resistance [mOhm]. charge [%]."""

    rng: np.random.Generator
    rows: dict[str, list[Row]]
    drawn: float
    worn: float
    celsius: float
    charge: float


def write_weeks(store: Store, *, seed: int = 7) -> int:
    """Put the vans' weeks into an empty store, with what its manifest would say. Returns the recordings, one a day."""
    platform = load_platform("example-van")
    rows: dict[str, list[Row]] = {table: [] for table in TABLES}
    for number, tale in enumerate(TALES):
        rng = np.random.default_rng((seed, number))
        for day in _van(rng, tale, platform):
            for table, more in day.items():
                rows[table] += more
    store.write_part(
        part_name(row["recording"] for row in rows["recordings"]),
        {table: table_of(table, content) for table, content in rows.items() if content},
    )
    store.add_vehicles(
        [
            {"vehicle": tale.vehicle, "platform": platform.id, "battery": "AGM 70 Ah", "depot": tale.depot}
            for tale in TALES
        ],
        [
            {"vehicle": tale.vehicle, "day": _FIRST + timedelta(days=tale.visit), "kind": tale.kind}
            for tale in TALES
            if tale.visit
        ],
    )
    return len(rows["recordings"])


def _van(rng: np.random.Generator, tale: Tale, platform: Platform) -> list[dict[str, list[Row]]]:
    """The tables of each of its days."""
    new = 1000 * 2.7 / (platform.battery.cold_cranking_a or 760.0) * rng.uniform(1.0, 1.15)  # [mOhm], a rule of thumb
    usual, charge, days = rng.uniform(14.0, 26.0), 86.0, []
    for day in range(DAYS):
        mended = tale.cures and 0 < tale.visit <= day
        drawn = usual + (tale.drain_ma if tale.from_day <= day and not mended else 0.0)
        worn = new * (1.0 if mended else 1 + tale.rise * day / _MONTH)
        celsius = float(15 - 14 * day / DAYS + rng.normal(0, 2.0))
        charge += 0.3 * (88 - 0.13 * drawn - 0.15 * (15 - celsius) - charge) + rng.normal(0, 0.7)
        state = _State(rng, {table: [] for table in TABLES}, drawn, worn, celsius, charge)
        days.append(_day(state, tale.vehicle, day, platform))
    return days


def _day(state: _State, vehicle: str, day: int, platform: Platform) -> dict[str, list[Row]]:
    """One day as its recording tells it."""
    rng, rows = state.rng, state.rows
    midnight = (_FIRST.toordinal() - date(1970, 1, 1).toordinal() + day) * _DAY_US
    begin = midnight
    for number in range(int(rng.integers(3, 6))):
        start = midnight + int((6.5 + 2.6 * number + rng.uniform(0, 0.8)) * 3.6e9)
        _park(state, (begin, start))
        begin = start + int(rng.uniform(1300, 3600) * 1e6)
        _drive(state, (start, begin))
    _park(state, (begin, midnight + _DAY_US - 1_000_000))
    source = hashlib.sha256(f"{vehicle} {day}".encode()).hexdigest()
    key = recording_key([source], platform.sha256)
    rows["recordings"].append(_recording(platform, source, midnight))
    for name, table in rows.items():
        for place, row in enumerate(table):
            row["recording"], row["vehicle"] = key, vehicle
            if name != "recordings":
                row["row"], row["t_s"] = place, (row["time"] - midnight) / 1e6
    rows["daily"], rows["refusals"] = daily_rows(rows), refusal_rows(rows)
    for row in (*rows["daily"], *rows["refusals"]):
        row["recording"], row["vehicle"] = key, vehicle
    return rows


def _recording(platform: Platform, source: str, midnight: int) -> Row:
    return {
        "platform": platform.id,
        "platform_sha256": platform.sha256,
        "schema": SCHEMA,
        "generation": 0,
        "sources": [source],
        "files": [],
        "formats": [],
        "time": midnight,
        "end": midnight + _DAY_US,
        "duration_s": 86400.0,
        "coverage": 1.0,
        "gaps": 0,
        "battery_only": False,
        "battery_type": platform.battery.type,
        "capacity_rated": platform.battery.capacity_nominal,
        "crank_rated_a": platform.battery.cold_cranking_a,
        "soc_limit": soc_limit(platform.idle_stop),
        "idle_l_per_h": platform.idle_stop.idle_fuel_l_per_h,
    }


def _park(state: _State, span: tuple[int, int]) -> None:
    seconds = (span[1] - span[0]) / 1e6
    asleep = -state.drawn * state.rng.normal(1.0, 0.06)
    settled = seconds > 4 * 3600
    state.rows["rests"].append(
        {
            "time": span[0],
            "seconds": seconds,
            "mean_ma": asleep - 2000 * 90 / max(seconds, 90.0),  # ninety seconds awake at two amperes
            "asleep_ma": asleep,
            "soc": state.charge + state.rng.normal(0, 1.5) if settled else float("nan"),
            "settled": "settled" if settled else "unknown",
            "temperature_c": state.celsius,
            "wake_ups": 0,
        }
    )


def _drive(state: _State, span: tuple[int, int]) -> None:
    """A key start, standstills with what became of them, and a restart after each stop."""
    rng, rows = state.rng, state.rows
    drive = len(rows["drives"])
    _start(state, span[0], "first")
    for at in np.sort(rng.uniform(span[0] + 2e8, span[1] - 6e7, int(rng.poisson(4.0)))):
        seconds = float(rng.gamma(4.0, 7.0)) + 3
        failing = _failing(state)
        stopped = failing is None
        row = len(rows["standstills"])
        moment = {"time": int(at), "temperature_c": state.celsius, "soc": state.charge}
        rows["standstills"].append(
            {
                **moment,
                "seconds": seconds,
                "outcome": "stopped" if stopped else "refused",
                "ended_by": "driver",
                "verdict": "none" if stopped else "sole",
                "sole_condition": failing[0] if failing else None,
                "sole_group": failing[1] if failing else None,
                "reasons": int(not stopped),
                "hidden": 0,
                "explained": True,
                "stop_s": seconds - 1.5 if stopped else 0.0,
                "lost_idle_s": 0.0 if stopped else seconds - 1.5,
                "drive": drive,
            }
        )
        if failing is None:
            _start(state, int(at + seconds * 1e6), "restart")
            continue
        condition, group, role = failing
        reason = {"condition": condition, "group": group, "role": role, "outcome": "refused", "alone": True}
        rows["reasons"].append({"time": int(at), "standstill": row, "told": False, **reason})
    seconds = (span[1] - span[0]) / 1e6
    rows["drives"].append(
        {
            "time": span[0],
            "seconds": seconds,
            "charged_ah": 0.45 + 1.0e-4 * seconds * max(96 - state.charge, 2.0) / 10 + 0.05 * rng.random(),
            "discharged_ah": 0.25 + 0.05 * rng.random(),
            "max_v": 14.4,
            "coverage": 1.0,
            "distance_km": seconds / 120,
        }
    )


def _failing(state: _State) -> tuple[str, str, str] | None:
    """The condition that refuses a stop: the battery's charge, the windscreen in the cold, or a door."""
    rng = state.rng
    if state.charge + rng.normal(0, 1.0) < 75.0:
        return "state of charge", "electrical", "battery_soc"
    if rng.random() < 0.03 + 0.01 * max(6.0 - state.celsius, 0.0):
        return "front defrost off", "comfort", "defrost_on"
    return ("driver's door closed", "safety", "driver_door_open") if rng.random() < 0.05 else None


def _start(state: _State, at: int, kind: str) -> None:
    """A crank: its voltage falls with resistance and cold; the resistance is known to a few percent."""
    rng, celsius, charge = state.rng, state.celsius, state.charge
    drawn = 330.0 * (1 + 0.004 * (25 - celsius)) * rng.normal(1.0, 0.04)
    cold = state.worn * (1 + 0.006 * (25 - celsius))
    state.rows["starts"].append(
        {
            "time": at,
            "kind": kind,
            "min_v": 12.55 + 0.01 * (charge - 80) - drawn * cold / 1000 + rng.normal(0, 0.05),
            "peak_a": -1.6 * drawn,
            "crank_s": 0.4,
            "to_idle_s": 0.5,
            "resistance_mohm": state.worn * rng.normal(1.0, 0.03),
            "temperature_c": celsius,
            "soc": charge,
            "resolved": True,
        }
    )
