"""Golden frames in platform.toml."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from signal_defs.errors import DefinitionFaultsError
from signal_defs.load import load_platform

Changed = Callable[..., Path]
GOLDEN = """
[[golden]]
bus = "sensor"
identifier = 0x21
data = "E2 31 F4 01 1E 82 00 FF"
roles = { battery_voltage = 12.77, battery_temperature = 25.0, battery_current = "not available" }
note = "at rest"
"""


def test_a_golden_frame_is_read(changed: Changed) -> None:
    folder = changed(base="example-hatch")
    file = folder / "platform.toml"
    file.write_text(file.read_text(encoding="utf-8") + GOLDEN, encoding="utf-8")
    (golden,) = load_platform(folder).golden
    assert (golden.bus, golden.identifier, golden.note) == ("sensor", 0x21, "at rest")
    assert golden.data == bytes.fromhex("E231F4011E8200FF")
    assert golden.roles == {"battery_voltage": 12.77, "battery_temperature": 25.0, "battery_current": None}


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('bus = "sensor"\nidentifier', 'bus = "senso"\nidentifier', 'bus is "senso"'),
        ("identifier = 0x21", 'identifier = "0x21"', 'identifier is "0x21"'),
        ('data = "E2 31', 'data = "E2 3', 'data is "E2 3 F4 01 1E 82 00 FF"'),
        ("battery_voltage = 12.77", "battery_volts = 12.77", "[signals] has no battery_volts"),
        ("battery_voltage = 12.77", "battery_voltage = [12.77]", "battery_voltage is [12.77]"),
        ("note =", "notes =", "unknown key 'notes'"),
    ],
)
def test_a_wrong_golden_frame_is_told(changed: Changed, old: str, new: str, what: str) -> None:
    folder = changed(base="example-hatch")
    file = folder / "platform.toml"
    assert old in GOLDEN
    file.write_text(file.read_text(encoding="utf-8") + GOLDEN.replace(old, new), encoding="utf-8")
    with pytest.raises(DefinitionFaultsError) as raised:
        load_platform(folder)
    (fault,) = raised.value.faults
    assert fault.what == what
    assert "[[golden]] 1" in fault.where


@pytest.mark.parametrize("name", ["example-van", "open-standard"])
def test_the_golden_frames_of_the_shipped_platforms_are_what_cantools_and_arithmetic_say(name: str) -> None:
    """Their CAN frames decode by cantools to the values given; numbers only, names are the binding's matter."""
    import cantools

    platform = load_platform(name)
    assert platform.folder is not None
    assert platform.golden
    for golden in platform.golden:
        bus = platform.bus(golden.bus)
        if bus.kind != "can":
            continue
        database = cantools.database.Database(strict=False)
        for file in bus.databases:
            database.add_dbc_file(str(platform.folder / file.name))
        for role, value in golden.roles.items():
            binding = platform.bindings[role]
            if isinstance(value, float):
                message = database.get_message_by_name(binding.message)
                physical = message.decode(golden.data, decode_choices=False)[binding.signal]
                assert binding.sign * (physical * binding.scale + binding.offset) == pytest.approx(value)


def test_a_role_whose_signal_is_wrong_is_told_once_not_again_at_its_golden_frames(changed: Changed) -> None:
    folder = changed(base="example-van")
    file = folder / "platform.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("body/Engine.Speed", "body/Engine.Sped"), encoding="utf-8")
    with pytest.raises(DefinitionFaultsError) as raised:
        load_platform(folder)
    assert [fault.what for fault in raised.value.faults] == ["message 'Engine' has no signal 'Sped'"]
