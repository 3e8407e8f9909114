"""A small fleet's facts without any log: rows as an analysis would give them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fleet.daily import daily_rows, refusal_rows
from fleet.facts import recording_key
from fleet.store import Store, open_store
from fleet.tables import SCHEMA, TABLES, table_of

Rows = dict[str, list[dict[str, Any]]]
DAY_US = 86_400_000_000
MONDAY_US = 20_150 * DAY_US  # 2025-03-03


def facts_of(
    vehicle: str, day: int, *, refused: int = 2, stopped: int = 6, definition: str = "d1", logs: tuple[str, ...] = ()
) -> dict[str, Any]:
    """One day's recording of a vehicle: some standstills, one night, one drive, one crank."""
    begin = MONDAY_US + day * DAY_US + 6 * 3_600_000_000
    sources = [hashlib.sha256(name.encode()).hexdigest() for name in logs or (f"{vehicle}-{day}.log",)]
    outcomes = ["refused"] * refused + ["stopped"] * stopped
    rows: Rows = {table: [] for table in TABLES}
    rows["recordings"] = [
        {
            "platform": "example-van",
            "platform_sha256": definition,
            "schema": SCHEMA,
            "generation": 0,
            "sources": sorted(sources),
            "files": list(logs),
            "time": begin,
            "end": begin + 3_600_000_000,
            "battery_type": "agm",
            "capacity_rated": 70.0,
            "crank_rated_a": 760.0,
            "soc_limit": 75.0,
            "idle_l_per_h": 0.7,
            "conditions": ["state of charge"],
        }
    ]
    for row, outcome in enumerate(outcomes):
        at = begin + row * 120_000_000
        sole = {"sole_condition": "state of charge", "sole_group": "electrical"} if outcome == "refused" else {}
        rows["standstills"].append(
            {
                "row": row,
                "time": at,
                "t_s": row * 120.0,
                "seconds": 21.5,
                "outcome": outcome,
                "verdict": "sole" if sole else "none",
                "reasons": len(sole) // 2,
                "stop_s": 20.0 if outcome == "stopped" else 0.0,
                "lost_idle_s": 20.0 if outcome == "refused" else 0.0,
                "temperature_c": 12.0,
                "soc": 73.0,
                "drive": 0,
                **sole,
            }
        )
        if sole:
            rows["reasons"].append(
                {
                    "row": row,
                    "time": at,
                    "t_s": row * 120.0,
                    "standstill": row,
                    "outcome": outcome,
                    "condition": "state of charge",
                    "group": "electrical",
                    "role": "battery_soc",
                    "alone": True,
                }
            )
    rows["starts"] = [
        {
            "row": 0,
            "time": begin,
            "t_s": 0.0,
            "kind": "first",
            "min_v": 10.4,
            "resistance_mohm": 4.7,
            "soc": 84.0,
            "temperature_c": 12.0,
            "resolved": True,
        }
    ]
    rows["rests"] = [
        {
            "row": 0,
            "time": begin - 6 * 3_600_000_000,
            "t_s": 0.0,
            "seconds": 6 * 3600.0 - 1,
            "mean_ma": -25.0,
            "asleep_ma": -20.0,
            "soc": 84.0,
            "settled": "settled",
            "temperature_c": 10.0,
        }
    ]
    rows["drives"] = [
        {
            "row": 0,
            "time": begin,
            "t_s": 0.0,
            "seconds": 3000.0,
            "charged_ah": 2.0,
            "discharged_ah": 1.5,
            "coverage": 1.0,
        }
    ]
    rows["daily"] = daily_rows(rows)
    rows["refusals"] = refusal_rows(rows)
    key = recording_key(sources, definition)
    for table in rows.values():
        for row_ in table:
            row_["recording"], row_["vehicle"] = key, vehicle
    return {name: table_of(name, rows[name]) for name in TABLES if rows[name]}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """An empty store in a local folder."""
    return open_store(tmp_path / "store")


@pytest.fixture
def make_facts() -> Callable[..., dict[str, Any]]:
    """`facts_of`: tests take it from here, since test modules do not import each other."""
    return facts_of
