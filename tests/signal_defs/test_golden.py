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
    folder = changed()
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
    folder = changed()
    file = folder / "platform.toml"
    assert old in GOLDEN
    file.write_text(file.read_text(encoding="utf-8") + GOLDEN.replace(old, new), encoding="utf-8")
    with pytest.raises(DefinitionFaultsError) as raised:
        load_platform(folder)
    (fault,) = raised.value.faults
    assert fault.what == what
    assert "[[golden]] 1" in fault.where
