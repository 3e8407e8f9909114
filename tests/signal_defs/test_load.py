"""Shipped platforms, what is read of a platform, and the hash over it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from signal_defs.load import list_platforms, load_platform
from signal_defs.platform import IdleStopRules

Changed = Callable[..., Path]
SHIPPED = ("example-hatch", "example-van", "open-standard")


def test_the_shipped_platforms_are_listed_and_load() -> None:
    entries = {entry.id: entry for entry in list_platforms() if entry.origin == "shipped"}
    assert tuple(sorted(entries)) == SHIPPED
    for name in SHIPPED:
        platform = load_platform(name)
        assert platform.id == name
        assert platform.title == entries[name].title
        assert {"battery_voltage", "battery_current"} <= set(platform.bindings)
        assert all(condition.source for condition in platform.idle_stop.conditions)


def test_the_van_carries_a_real_bus_and_conditions_of_every_group() -> None:
    van = load_platform("example-van")
    body = van.bus("body")
    assert len(body.messages) >= 25
    assert sum(len(message.signals) for message in body.messages) > 150
    assert {signal.byte_order for message in body.messages for signal in message.signals} == {"little", "big"}
    assert any(signal.is_multiplexer for message in body.messages for signal in message.signals)
    assert all(message.cycle_s and 0.01 <= message.cycle_s <= 1.0 for message in body.messages)
    groups = {condition.group for condition in van.idle_stop.conditions}
    assert groups == {"safety", "engine", "comfort", "electrical", "driver", "fault"}


def test_the_van_s_sensor_covers_cranks_and_key_off_currents() -> None:
    current = load_platform("example-van").bus("sensor").message("BatteryState").signal("Current")
    assert current.scale == 0.001  # [A], a key-off current of 20 mA is 20 steps
    assert current.minimum is not None
    assert current.minimum <= -1500.0
    assert current.maximum is not None
    assert current.maximum >= 1500.0


def test_signs_scales_and_names_of_a_binding_are_read() -> None:
    hatch = load_platform("example-hatch").bindings
    assert hatch["battery_current"].sign == -1
    assert hatch["battery_voltage"].sign == 1
    van = load_platform("example-van").bindings
    assert van["hood_open"].true_when == ("Open", "NotLatched")
    assert van["hood_open"].source == "body/Doors.Hood"
    assert van["hood_open"].role.unit == "bool"


def test_a_table_gives_scale_offset_and_invalid(changed: Changed) -> None:
    folder = changed(
        ('"body/Engine.Coolant"', '{ from = "body/Engine.Coolant", scale = 1.0, offset = -0.5, invalid = [0] }')
    )
    binding = load_platform(folder).bindings["coolant_temperature"]
    assert (binding.scale, binding.offset, binding.invalid) == (1.0, -0.5, (0,))


def test_a_role_of_one_s_own_has_the_database_s_unit_and_a_kind(changed: Changed) -> None:
    own = 'x_mass = "body/Brake.Mass"\nx_lock = "body/Doors.LockState"\n'
    lamp = 'x_lamp = { from = "body/Trailer.FogLamp", true_when = ["On"] }\n'
    folder = changed(
        ("[signals]\n", f"[signals]\n{own}{lamp}"),
        ('role = "slope"\nat_most = 12.0\nhysteresis = 1.0', 'role = "x_mass"\nat_most = 3500.0'),
    )
    platform = load_platform(folder)
    kinds = {name: (b.role.kind, b.role.unit) for name, b in platform.bindings.items() if name.startswith("x_")}
    assert kinds == {"x_mass": ("number", "kg"), "x_lock": ("state", ""), "x_lamp": ("flag", "bool")}
    assert any(condition.role == "x_mass" for condition in platform.idle_stop.conditions)


def test_settings_left_out_have_their_defaults() -> None:
    rules = load_platform("open-standard").idle_stop
    defaults = IdleStopRules()
    assert rules.stop_delay_s == defaults.stop_delay_s
    assert rules.max_stop_s is None
    assert load_platform("example-van").idle_stop.max_stop_s == 180.0


def test_the_battery_and_its_curve_are_read(changed: Changed) -> None:
    folder = changed(("capacity_ah = 70", "capacity_ah = 70\nocv_v = [[0, 11.75], [50, 12.35], [100, 12.90]]"))
    battery = load_platform(folder).battery
    assert (battery.type, battery.capacity_nominal, battery.cold_cranking_a) == ("agm", 70.0, 760.0)
    assert battery.cold_cranking_standard == "EN"
    assert battery.ocv_v == ((0.0, 11.75), (50.0, 12.35), (100.0, 12.90))


def test_the_hash_changes_with_the_file_and_with_a_database_and_with_nothing_else(changed: Changed) -> None:
    folder = changed()
    first = load_platform(folder).sha256
    assert load_platform(folder / "platform.toml").sha256 == first
    assert first == load_platform("example-van").sha256
    database = folder / "sensor.ldf"
    database.write_bytes(database.read_bytes() + b"\n")
    second = load_platform(folder).sha256
    file = folder / "platform.toml"
    file.write_bytes(file.read_bytes() + b"\n")
    assert len({first, second, load_platform(folder).sha256}) == 3


@pytest.mark.parametrize("ending", ["\r\n", "\n"])
def test_line_ends_and_a_byte_order_mark_do_not_matter(changed: Changed, ending: str) -> None:
    file = changed() / "platform.toml"
    file.write_bytes(b"\xef\xbb\xbf" + file.read_text(encoding="utf-8").replace("\n", ending).encode())
    assert load_platform(file).id == "example-van"
