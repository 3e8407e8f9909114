"""A platform laid over another: what it keeps, what it changes, where its faults stand."""

from __future__ import annotations

from pathlib import Path

import pytest

from signal_defs.errors import DefinitionError, DefinitionFaultsError
from signal_defs.load import load_definition, load_platform

CHILD = """schema = 1
id = "van-2"
title = "Second model year"
extends = "example-van"

[signals]
battery_current = { from = "sensor/BatteryState.Current", positive = "discharge" }
x_odometer = "body/Odometer.Total"

[battery]
capacity_ah = 80

[idle_stop]
stop_delay_s = 1.0

[[idle_stop.condition]]
name = "state of charge"
at_least = 72.0

[[idle_stop.condition]]
name = "driver's belt latched"
is = false

[[idle_stop.condition]]
name = "odometer"
group = "fault"
role = "x_odometer"
at_most = 500000.0
"""


def _write(folder: Path, text: str) -> Path:
    folder.mkdir()
    (folder / "platform.toml").write_text(text, encoding="utf-8")
    return folder


def test_a_child_keeps_what_it_does_not_name(tmp_path: Path) -> None:
    parent, child = load_platform("example-van"), load_platform(_write(tmp_path / "van-2", CHILD))
    assert (child.id, child.title, child.version) == ("van-2", "Second model year", parent.version)
    assert child.buses == parent.buses
    assert child.bindings["engine_speed"] == parent.bindings["engine_speed"]
    assert child.battery.cold_cranking_a == parent.battery.cold_cranking_a
    assert child.idle_stop.max_stop_s == parent.idle_stop.max_stop_s
    assert child.extends == (str(parent.folder),)
    assert child.sha256 != parent.sha256


def test_a_child_changes_tables_key_by_key_and_conditions_by_name(tmp_path: Path) -> None:
    parent, child = load_platform("example-van"), load_platform(_write(tmp_path / "van-2", CHILD))
    assert child.bindings["battery_current"].sign == -1
    assert child.battery.capacity_nominal == 80.0
    assert child.idle_stop.stop_delay_s == 1.0
    ours = {condition.name: condition for condition in child.idle_stop.conditions}
    assert [c.name for c in child.idle_stop.conditions] == [*(c.name for c in parent.idle_stop.conditions), "odometer"]
    assert ours["state of charge"].at_least == 72.0
    assert ours["state of charge"].hysteresis == 3.0
    assert ours["driver's belt latched"].equals is False


def test_another_threshold_replaces_the_parent_s(tmp_path: Path) -> None:
    text = CHILD.replace("is = false", "is = true").replace("at_least = 72.0", "at_most = 99.0")
    child = load_platform(_write(tmp_path / "van-2", text))
    soc = next(c for c in child.idle_stop.conditions if c.name == "state of charge")
    assert (soc.at_least, soc.at_most) == (None, 99.0)


def test_a_child_may_bring_a_database_of_its_own(tmp_path: Path) -> None:
    folder = _write(tmp_path / "van-2", CHILD + '[[bus]]\nname = "sensor"\ndatabases = ["new.ldf"]\n')
    parent = load_platform("example-van")
    assert parent.folder is not None
    text = (parent.folder / "sensor.ldf").read_text(encoding="utf-8")
    (folder / "new.ldf").write_text(text.replace("0x21, BatterySensor", "0x25, BatterySensor"), encoding="utf-8")
    child = load_platform(folder)
    assert child.bus("sensor").message("BatteryState").identifier == 0x25
    assert child.bus("sensor").channels == parent.bus("sensor").channels
    assert child.bus("body") == parent.bus("body")


def test_a_fault_stands_in_the_file_it_was_written_in(tmp_path: Path) -> None:
    base = _write(tmp_path / "base", 'schema = 1\nid = "base"\ntitle = "Base"\n\n[battery]\ntype = "wet"\n')
    child = _write(tmp_path / "child", 'schema = 1\nid = "child"\nextends = "../base"\n[battery]\ncapacity_ah = 0\n')
    with pytest.raises(DefinitionFaultsError) as raised:
        load_platform(child)
    places = {fault.where for fault in raised.value.faults}
    assert f"{child / '..' / 'base' / 'platform.toml'}, line 6, [battery] type" in places
    assert f"{child / 'platform.toml'}, line 5, [battery] capacity_ah" in places
    assert base.is_dir()


def test_platforms_that_extend_each_other_are_refused(tmp_path: Path) -> None:
    one = _write(tmp_path / "one", 'schema = 1\nid = "one"\nextends = "../two"\n')
    _write(tmp_path / "two", 'schema = 1\nid = "two"\nextends = "../one"\n')
    with pytest.raises(DefinitionError, match="extends this platform in turn"):
        load_platform(one)


def test_an_unknown_parent_is_told_at_the_line_that_names_it(tmp_path: Path) -> None:
    folder = _write(tmp_path / "one", 'schema = 1\nid = "one"\nextends = "example-vann"\n')
    with pytest.raises(DefinitionError) as raised:
        load_platform(folder)
    assert raised.value.where == f"{folder / 'platform.toml'}, line 3, extends"
    assert "Did you mean example-van" in raised.value.mend


def test_the_keys_in_force_are_visible_with_the_file_of_each(tmp_path: Path) -> None:
    folder = _write(tmp_path / "van-2", CHILD)
    definition = load_definition(folder)
    assert definition.table["battery"] == {
        "type": "agm",
        "capacity_ah": 80,
        "cold_cranking_a": 760,
        "cold_cranking_standard": "EN",
    }
    assert definition.lines["battery", "capacity_ah"][0] == folder / "platform.toml"
    assert definition.lines["battery", "type"][0].parent.name == "example-van"
