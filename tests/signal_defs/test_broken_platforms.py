"""Platforms broken on purpose: each gives the message that a person needs, with file, line, key and mend."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from signal_defs.errors import DefinitionError, DefinitionFaultsError
from signal_defs.load import load_platform

pytestmark = pytest.mark.fault

Changed = Callable[..., Path]

# changes to the van's file; the text whose line the message must name; then key, what, mend
ONE_FAULT = {
    "unknown role": (
        (("hood_open   ", "hood_opened "),),
        "hood_opened",
        "[signals] hood_opened",
        "unknown role 'hood_opened'",
        'Did you mean hood_open? A role of your own begins with "x_".',
    ),
    "unknown signal": (
        (("body/Engine.Speed", "body/Engine.Sped"),),
        "body/Engine.Sped",
        "[signals] engine_speed from",
        "message 'Engine' has no signal 'Sped'",
        "Did you mean Speed?",
    ),
    "signal in another message": (
        (("body/Motion.VehicleSpeed", "body/Moton.VehicleSpeed"),),
        "body/Moton",
        "[signals] vehicle_speed from",
        "bus 'body' has no message 'Moton'",
        "VehicleSpeed is in Motion.",
    ),
    "unknown bus": (
        (("sensor/BatteryState.TerminalVoltage", "sensr/BatteryState.TerminalVoltage"),),
        "sensr/",
        "[signals] battery_voltage from",
        "there is no bus 'sensr'",
        "Did you mean sensor?",
    ),
    "unknown key": (
        (("capacity_ah = 70", "capacity_ah = 70\ncold_crank_a = 760"),),
        "cold_crank_a",
        "[battery] cold_crank_a",
        "unknown key 'cold_crank_a'",
        "Did you mean cold_cranking_a?",
    ),
    "no threshold": (
        (("at_least = 75.0\n", ""),),
        "[[idle_stop.condition]]",
        '[[idle_stop.condition]] "state of charge"',
        "has no threshold",
        "Give exactly one of at_least, at_most, is; write two conditions for a window.",
    ),
    "two thresholds": (
        (("at_least = 75.0", "at_least = 75.0\nat_most = 95.0"),),
        "at_most = 95.0",
        '[[idle_stop.condition]] "state of charge" at_most',
        "has 2 thresholds: at_least, at_most",
        "Give exactly one of at_least, at_most, is; write two conditions for a window.",
    ),
    "threshold of a flag": (
        (("is = true", "at_least = 1"),),
        "at_least = 1\n",
        '[[idle_stop.condition]] "driver\'s belt latched" at_least',
        "driver_belt_latched is a flag, at_least = 1 does not fit",
        "Write is = true or is = false.",
    ),
    "missing database": (
        (('databases = ["body.dbc"]', 'databases = ["bodi.dbc"]'),),
        "bodi.dbc",
        '[[bus]] "body" databases',
        "there is no bodi.dbc in {folder}",
        "Did you mean body.dbc?",
    ),
    "database of another kind": (
        (('databases = ["sensor.ldf"]', 'databases = ["body.dbc"]'),),
        'databases = ["body.dbc"]\nchannels = ["lin0"',
        '[[bus]] "sensor" databases, body.dbc',
        "a LIN bus is described by LDF, not by .dbc",
        "Give the bus the kind that fits, or name another database.",
    ),
    "choices without true_when": (
        (('{ from = "body/Climate.FrontDefrost", true_when = ["On"] }', '"body/Climate.FrontDefrost"'),),
        "defrost_on ",
        "[signals] defrost_on from",
        "FrontDefrost has more than a true and a false",
        "Say with true_when which of them mean true: Off, On, Error, SNA.",
    ),
    "unknown name in true_when": (
        (('true_when = ["Latched"]', 'true_when = ["latched"]'),),
        "driver_belt_latched  ",
        "[signals] driver_belt_latched true_when",
        "DriverBelt has no value 'latched'",
        "Did you mean Latched?",
    ),
    "condition named twice": (
        (('name = "blower not high"', 'name = "front defrost off"'),),
        'name = "front defrost off"\ngroup = "comfort"\nrole = "blower_level"',
        '[[idle_stop.condition]] "front defrost off" name',
        "a second condition is called 'front defrost off'",
        "Line {first} has the first; rename one of them.",
    ),
    "unit of another kind": (
        (("body/BoardNet.BoardVoltage", "body/BoardNet.GeneratorCurrent"),),
        "board_voltage",
        "[signals] board_voltage from",
        "GeneratorCurrent is in A, board_voltage in V",
        "Name the right signal; if the database is wrong, write scale = 1.0 to say so.",
    ),
    "required role missing": (
        (("battery_voltage   ", "x_voltage         "),),
        "[signals]",
        "[signals]",
        "battery_voltage is missing",
        'Write battery_voltage = "bus/message.signal"; nothing can be said without it.',
    ),
    "sign of a voltage": (
        (
            (
                '"sensor/BatteryState.TerminalVoltage"',
                '{ from = "sensor/BatteryState.TerminalVoltage", positive = "charge" }',
            ),
        ),
        "battery_voltage ",
        "[signals] battery_voltage positive",
        "positive is given for a role in V",
        "Give it for currents only.",
    ),
    "curve that falls": (
        (("capacity_ah = 70", "capacity_ah = 70\nocv_v = [[0, 12.1], [50, 12.0]]"),),
        "ocv_v",
        "[battery] ocv_v",
        "ocv_v does not rise",
        "Write pairs like [[0, 11.75], [50, 12.35], [100, 12.90]]: SoC in %, volts at 25 degC, both rising.",
    ),
    "battery type": (
        (('type = "agm"', 'type = "AGM"'),),
        'type = "AGM"',
        "[battery] type",
        'type is "AGM"',
        "Did you mean agm? Write one of: flooded, efb, agm.",
    ),
}


@pytest.mark.parametrize("case", ONE_FAULT)
def test_one_fault_gives_one_message_that_says_where_what_and_how_to_mend(case: str, changed: Changed) -> None:
    changes, marker, key, what, mend = ONE_FAULT[case]
    folder = changed(*changes)
    text = (folder / "platform.toml").read_text(encoding="utf-8")
    line = text.count("\n", 0, text.index(marker)) + 1
    with pytest.raises(DefinitionFaultsError) as raised:
        load_platform(folder)
    (fault,) = raised.value.faults
    assert fault.where == f"{folder / 'platform.toml'}, line {line}, {key}"
    assert fault.what == what.format(folder=folder)
    first = text.count("\n", 0, text.find('name = "front defrost off"')) + 1
    assert fault.mend == mend.replace("{first}", str(first))
    assert raised.value.exit_code == 4


def test_a_unit_that_needs_a_factor_is_told_with_the_line_to_write(changed: Changed) -> None:
    folder = changed()
    database = folder / "sensor.ldf"
    text = database.read_text(encoding="utf-8")
    database.write_text(text.replace('32000, 0.001, 0, "V"', '32000, 1, 0, "mV"'), encoding="utf-8")
    with pytest.raises(DefinitionFaultsError) as raised:
        load_platform(folder)
    first, _ = raised.value.faults
    assert first.what == "TerminalVoltage is in mV, battery_voltage in V"
    assert first.mend == 'Write battery_voltage = { from = "sensor/BatteryState.TerminalVoltage", scale = 0.001 }.'


def test_all_faults_of_a_file_are_told_at_once_in_its_order(changed: Changed) -> None:
    folder = changed(
        ("hood_open   ", "hood_opened "),
        ("body/Engine.Speed", "body/Engine.Sped"),
        ('type = "agm"', 'type = "wet"'),
        ("at_least = 75.0\n", ""),
    )
    with pytest.raises(DefinitionFaultsError) as raised:
        load_platform(folder)
    assert [fault.what for fault in raised.value.faults] == [
        "message 'Engine' has no signal 'Sped'",
        "unknown role 'hood_opened'",
        'type is "wet"',
        "has no threshold",
    ]


WHOLE_FILE = {
    "newer schema": ("schema = 1", "schema = 2", "line 1, schema", "schema 2 is newer than this program reads (1)"),
    "no schema": ("schema = 1\n", "", "", "schema is missing"),
    "not TOML": ('kind = "can"', 'kind = can"', "line 12, column 8", "is not TOML: Invalid value"),
}


@pytest.mark.parametrize("case", WHOLE_FILE)
def test_a_file_that_cannot_be_read_at_all_says_why(case: str, changed: Changed) -> None:
    old, new, where, what = WHOLE_FILE[case]
    folder = changed((old, new))
    with pytest.raises(DefinitionError) as raised:
        load_platform(folder)
    assert raised.value.what == what
    assert raised.value.where == ", ".join(part for part in (str(folder / "platform.toml"), where) if part)
    assert raised.value.mend


def test_a_database_that_is_broken_is_named_with_its_line(changed: Changed) -> None:
    folder = changed()
    database = folder / "sensor.ldf"
    text = database.read_text(encoding="utf-8")
    database.write_text(text.replace("    Current: 24,", "    Curent: 24,"), encoding="utf-8")
    with pytest.raises(DefinitionFaultsError) as raised:
        load_platform(folder)
    (fault,) = raised.value.faults
    assert fault.where == f'{folder / "platform.toml"}, line 19, [[bus]] "sensor" databases, sensor.ldf, line 34'
    assert fault.what == "signal 'Current' is not defined"
    assert fault.mend == 'Add it to the section "Signals".'


def test_a_database_outside_the_folder_is_refused(changed: Changed) -> None:
    folder = changed(('databases = ["body.dbc"]', 'databases = ["../other/body.dbc"]'))
    with pytest.raises(DefinitionFaultsError, match=r"lies outside the platform folder"):
        load_platform(folder)


WRONG_TYPES = {
    "bus is a text": ("[[bus]]\nname", "bus = 3\n[other]\nname"),
    "databases is a number": ('databases = ["body.dbc"]', "databases = 3"),
    "channels hold numbers": ('channels = ["can0", "1"]', "channels = [0, 1]"),
    "a role is a number": ('"body/Engine.Speed"', "5"),
    "from is missing": ('{ from = "body/Doors.Hood", true_when = ["Open", "NotLatched"] }', "{ scale = 2.0 }"),
    "capacity is a text": ("capacity_ah = 70", 'capacity_ah = "70"'),
    "capacity is not a number": ("capacity_ah = 70", "capacity_ah = nan"),
    "capacity is zero": ("capacity_ah = 70", "capacity_ah = 0"),
    "a figure is negative": ("stop_delay_s = 1.5", "stop_delay_s = -1.5"),
    "sources is a text": ("sources = [", 'version = "2"\nsources = ["x"]\nx = ['),
    "id is upper case": ('id = "example-van"', 'id = "Example Van"'),
    "true_when holds a flag": ('true_when = ["Latched"]', "true_when = [true]"),
    "invalid holds texts": ('"body/Engine.Coolant"', '{ from = "body/Engine.Coolant", invalid = ["FF"] }'),
    "invalid does not fit": ('"body/Engine.Coolant"', '{ from = "body/Engine.Coolant", invalid = [256] }'),
    "scale of a flag": ('true_when = ["Latched"]', 'true_when = ["Latched"], scale = 2'),
    "idle_stop is a list": ("[idle_stop]", "[x]\n[[idle_stop]]"),
    "own role is not bound": ('role = "slope"', 'role = "x_slope"'),
    "a state that is never seen": ('role = "slope"\nat_most = 12.0\nhysteresis = 1.0', 'role = "gear"\nis = "Eighth"'),
    "a rating without standard": ('cold_cranking_standard = "EN"', ""),
}


@pytest.mark.parametrize("case", WRONG_TYPES)
def test_a_wrong_type_is_a_message_not_a_crash(case: str, changed: Changed) -> None:
    folder = changed(WRONG_TYPES[case])
    with pytest.raises(DefinitionError) as raised:
        load_platform(folder)
    assert str(folder) in str(raised.value)
    assert "Mend: " in str(raised.value)
