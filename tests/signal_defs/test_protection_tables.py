"""The [[protection]] tables of platform.toml."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest

import signal_defs
from signal_defs.errors import DefinitionFaultsError
from signal_defs.load import load_platform

Changed = Callable[..., Path]
SCHEMA = json.loads((Path(signal_defs.__file__).parent / "platform.schema.json").read_text(encoding="utf-8"))
GOOD = """
[[protection]]
bus = "body"
message = "Engine"
profile = "e2e_1"
data_id = 0x1A2
inclusion = "low"
max_delta = 2
"""


def _with(changed: Changed, text: str) -> Path:
    folder = changed()
    file = folder / "platform.toml"
    file.write_text(file.read_text(encoding="utf-8").split("\n[[golden]]")[0] + text, encoding="utf-8")
    return folder


def test_a_protection_is_read(changed: Changed) -> None:
    (one,) = load_platform(_with(changed, GOOD)).protections
    assert (one.bus, one.message, one.profile, one.data_ids) == ("body", "Engine", "e2e_1", (0x1A2,))
    assert (one.inclusion, one.max_delta) == ("low", 2)


@pytest.mark.parametrize(
    ("old", "new", "what", "fits_schema"),
    [
        ('message = "Engine"', 'message = "Engin"', "bus 'body' has no message 'Engin'", True),
        ('"e2e_1"', '"e2e_7"', 'profile is "e2e_7"', False),
        ("data_id = 0x1A2\n", "", "data_id is missing", True),
        ("data_id = 0x1A2", "data_id = 70000", "data_id is 70000", False),
        ("data_id = 0x1A2", "data_id = true", "data_id is true", False),
        ('inclusion = "low"', 'inclusion = "high"', 'inclusion is "high"', False),
        ("max_delta = 2", "max_delta = 0", "max_delta is 0", False),
        ("max_delta = 2", "crc_byte = 2", "e2e_1 has no crc_byte", True),
        ("max_delta = 2", "deltas = 2", "unknown key 'deltas'", False),
        (
            'profile = "e2e_1"\ndata_id = 0x1A2\ninclusion = "low"',
            'profile = "j1850"\ncrc_byte = 9',
            "Engine has 8 bytes: too short",
            True,
        ),
        (
            'profile = "e2e_1"\ndata_id = 0x1A2\ninclusion = "low"',
            'profile = "j1850"\ncounter = "Alive"',
            "Engine has no signal 'Alive'",
            True,
        ),
        (
            'profile = "e2e_1"\ndata_id = 0x1A2\ninclusion = "low"',
            'profile = "e2e_2"\ndata_ids = [1, 2]',
            "data_ids is [1, 2]",
            False,
        ),
    ],
)
def test_a_wrong_protection_is_told(changed: Changed, old: str, new: str, what: str, fits_schema: bool) -> None:
    assert old in GOOD
    folder = _with(changed, GOOD.replace(old, new))
    with pytest.raises(DefinitionFaultsError) as raised:
        load_platform(folder)
    (fault,) = raised.value.faults
    assert fault.what == what
    assert "[[protection]] 1" in fault.where
    table = tomllib.loads((folder / "platform.toml").read_text(encoding="utf-8"))
    assert jsonschema.Draft202012Validator(SCHEMA).is_valid(table) == fits_schema


def test_a_message_is_protected_once(changed: Changed) -> None:
    with pytest.raises(DefinitionFaultsError, match="Engine is protected twice"):
        load_platform(_with(changed, GOOD + GOOD))


def test_a_counter_that_not_every_frame_carries_is_none(changed: Changed) -> None:
    folder = changed()
    dbc = folder / "body.dbc"
    text = dbc.read_text(encoding="utf-8")
    signed = text.replace("SG_ Coolant :", 'SG_ Alive : 56|4@1- (1,0) [0|0] "" Logger\n SG_ Coolant :', 1)
    assert signed != text
    dbc.write_text(signed, encoding="utf-8")
    declared = '\n[[protection]]\nbus = "body"\nmessage = "Engine"\nprofile = "j1850"\ncounter = "Alive"\n'
    file = folder / "platform.toml"
    file.write_text(file.read_text(encoding="utf-8").split("\n[[golden]]")[0] + declared, encoding="utf-8")
    with pytest.raises(DefinitionFaultsError, match="Alive cannot count"):
        load_platform(folder)
