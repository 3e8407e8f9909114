"""The watch list: rules from TOML, alerts only beyond doubt, and what clears them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from benchmarks.fleet_simulated import fleet_drawn
from fleet.fleet_data import FleetData
from fleet.tables import schema_of
from fleet.watch import read_rules, watch
from signal_defs.errors import DefinitionFaultsError

RULES = """
[[rule]]
name = "drain"
metric = "quiescent"
above = 75

[[rule]]
name = "drain in the cold"
metric = "quiescent"
above = 75
between_c = [-20, 0]

[[rule]]
name = "agm only"
metric = "quiescent"
above = 10
battery_type = "agm"
observations = 50
"""


def _fleet(draw: dict[str, float]) -> FleetData:
    frames = []
    for name, ma in draw.items():
        frame = pd.DataFrame({"vehicle": name, "day": pd.date_range("2025-03-03", periods=12)})
        for column in schema_of("daily").names[3:]:
            frame[column] = np.nan if column.endswith(("_v", "_mohm", "soc", "_c")) else 0
        frame["asleep_ma"], frame["nights"], frame["asleep_h"], frame["temperature_c"] = ma, 1, 9.0, 8.0
        frame["recording"] = name
        frames.append(frame)
    time = pd.Timestamp("2025-03-03", tz="UTC")
    recordings: Any = pd.DataFrame({"recording": list(draw), "vehicle": list(draw), "time": time, "end": time})
    recordings["battery_type"] = "agm"
    return fleet_drawn({"recordings": recordings, "daily": pd.concat(frames, ignore_index=True)})


def _rules(folder: Path, text: str = RULES) -> Path:
    file = folder / "watch.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_an_alert_names_its_figure_and_what_clears_it(tmp_path: Path) -> None:
    seen = watch(_fleet({"good": 20.0, "bad": 130.0}), read_rules(_rules(tmp_path)))
    assert [(one.rule, one.vehicle, one.figure.value) for one in seen.alerts] == [("drain", "bad", 130.0)]
    assert "below 75 mA" in str(seen.alerts[0].clears)


def test_too_little_data_is_no_alert_and_is_listed(tmp_path: Path) -> None:
    seen = watch(_fleet({"bad": 130.0}), read_rules(_rules(tmp_path)))
    assert {(rule, str(why)) for rule, _, why in seen.unjudged} == {
        ("drain in the cold", "Too little data: 0 of 3 nights of four hours or more."),
        ("agm only", "Too little data: 12 of 50 nights of four hours or more."),
    }


def test_every_fault_of_the_rules_is_told_with_its_rule(tmp_path: Path) -> None:
    text = '[[rule]]\nmetric = "soh"\nabove = 1\n[[rule]]\nmetric = "quiescent"\nover = 3\n'
    with pytest.raises(DefinitionFaultsError) as told:
        read_rules(_rules(tmp_path, text))
    words = str(told.value)
    assert "rule 1: There is no metric 'soh'" in words
    assert "rule 2: There is no key 'over'" in words
    assert "rule 2: A rule needs one bound" in words
