"""The JSON Schema of platform.toml says what the loader reads."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import jsonschema
import pytest

import signal_defs
from signal_defs import keys
from signal_defs.platform import BatteryType, CrankStandard, Group, Scope
from signal_defs.roles import ROLES

Changed = Callable[..., Path]
HERE = Path(signal_defs.__file__).parent
SCHEMA: dict[str, Any] = json.loads((HERE / "platform.schema.json").read_text(encoding="utf-8"))
TOP: dict[str, Any] = SCHEMA["properties"]


def _valid(folder: Path) -> bool:
    table = tomllib.loads((folder / "platform.toml").read_text(encoding="utf-8"))
    return bool(jsonschema.Draft202012Validator(SCHEMA).is_valid(table))


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("name", ["example-van", "example-hatch", "open-standard"])
def test_the_shipped_platforms_fit_the_schema(name: str) -> None:
    assert _valid(HERE / "platforms" / name)


def test_the_schema_has_the_loader_s_keys_table_by_table() -> None:
    condition = TOP["idle_stop"]["properties"]["condition"]["items"]["properties"]
    assert set(TOP) == set(keys.TOP)
    assert set(TOP["bus"]["items"]["properties"]) == set(keys.BUS)
    assert set(SCHEMA["$defs"]["binding"]["anyOf"][1]["properties"]) == set(keys.SIGNAL)
    assert set(TOP["battery"]["properties"]) == set(keys.BATTERY)
    assert set(TOP["idle_stop"]["properties"]) == set(keys.IDLE_STOP)
    assert set(condition) == set(keys.CONDITION)
    assert set(TOP["golden"]["items"]["properties"]) == set(keys.GOLDEN)
    assert set(TOP["protection"]["items"]["properties"]) == set(keys.PROTECTION)


def test_the_schema_has_the_roles_and_the_words() -> None:
    condition = TOP["idle_stop"]["properties"]["condition"]["items"]["properties"]
    assert set(TOP["signals"]["properties"]) == set(ROLES)
    assert condition["role"]["anyOf"][0]["enum"] == list(ROLES)
    assert condition["group"]["enum"] == list(get_args(Group))
    assert condition["applies_to"]["enum"] == list(get_args(Scope))
    assert TOP["battery"]["properties"]["type"]["enum"] == list(get_args(BatteryType))
    assert TOP["battery"]["properties"]["cold_cranking_standard"]["enum"] == list(get_args(CrankStandard))
    assert TOP["schema"]["const"] == keys.SCHEMA


def test_every_role_s_unit_and_meaning_are_in_the_schema() -> None:
    for name, role in ROLES.items():
        unit = f" [{role.unit}]" if role.unit else ""
        assert TOP["signals"]["properties"][name]["description"] == role.meaning + unit


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("capacity_ah = 70", "capacity = 70"),
        ('type = "agm"', 'type = "AGM"'),
        ("at_least = 75.0", "at_least = 75.0\nat_most = 95.0"),
        ("hood_open   ", "hood_opened "),
        ('"body/Engine.Speed"', '"body.Engine.Speed"'),
        ("battery_voltage   ", "x_voltage         "),
    ],
)
def test_what_the_loader_refuses_the_schema_refuses(changed: Changed, old: str, new: str) -> None:
    assert _valid(changed())
    assert not _valid(changed((old, new), name="broken"))


def test_a_platform_that_extends_another_may_leave_out_the_rest() -> None:
    table = {"schema": 1, "id": "x", "extends": "example-van", "battery": {"capacity_ah": 80}}
    jsonschema.validate(table, SCHEMA)
    del table["extends"]
    assert not jsonschema.Draft202012Validator(SCHEMA).is_valid(table)
