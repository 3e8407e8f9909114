"""A platform folder as the documentation prints it: it loads as printed, and means what it says there."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from decoder.record import record
from signal_defs.load import load_platform

Run = Callable[..., Any]
Make = Callable[..., Path]

UNBOUND_HOOD = ('hood_open           = { from = "body/Doors.Hood", true_when = ["Open", "NotLatched"] }\n', "")


def test_the_printed_example_loads_and_says_what_stands_there(platform_folder: Make) -> None:
    known = load_platform(platform_folder())
    assert (known.id, known.title) == ("example-van", "Example van, 2.0 diesel, manual gearbox")
    assert [(bus.name, bus.kind, bus.channels) for bus in known.buses] == [
        ("body", "can", ("can0", "1")),
        ("sensor", "lin", ("lin0", "sllin0")),
    ]
    assert {role: binding.source for role, binding in known.bindings.items()} == {
        "battery_voltage": "sensor/BatteryState.TerminalVoltage",
        "battery_current": "sensor/BatteryState.Current",
        "battery_temperature": "sensor/BatteryState.Temperature",
        "engine_speed": "body/Engine.Speed",
        "hood_open": "body/Doors.Hood",
        "coolant_temperature": "body/Engine.Coolant",
        "x_tow_hitch": "body/Rear.Hitch",
    }
    battery = known.battery
    assert (battery.type, battery.capacity_nominal, battery.cold_cranking_a) == ("agm", 70.0, 760.0)
    assert battery.cold_cranking_standard == "EN"
    (condition,) = known.idle_stop.conditions
    assert (condition.name, condition.group, condition.role) == ("state of charge", "electrical", "battery_soc")
    assert (condition.at_least, condition.hysteresis, condition.for_s) == (75.0, 3.0, 0.0)
    assert condition.applies_to == "stop"


def test_the_printed_example_gives_a_report_and_passes_its_check(run: Run, drive: Make, platform_folder: Make) -> None:
    folder = platform_folder()
    said = run("report", drive(), "-p", folder, "-o", "o.html", "--json", "-")
    assert said.code == 0
    assert said.json["platform"] == "example-van"
    assert {row["role"] for row in said.json["signals"]} == set(load_platform(folder).bindings)
    assert run("platform", "check", folder).code == 0


def test_decoding_takes_a_platform_of_buses_alone_and_gives_the_same(
    run: Run, drive: Make, platform_folder: Make, tmp_path: Path
) -> None:
    whole = platform_folder()
    text = (whole / "platform.toml").read_text(encoding="utf-8")
    bare = platform_folder((text[text.index("[signals]") :], ""))
    log = drive()
    for folder, out in ((whole, "whole.csv"), (bare, "bare.csv")):
        said = run("decode", log, "--platform", folder, "-o", out)
        assert said.code == 0, said.err
    assert (tmp_path / "bare.csv").read_bytes() == (tmp_path / "whole.csv").read_bytes()
    refused = run("report", log, "--platform", bare, "-o", "o.html")
    assert refused.code == 4
    assert "[battery] is missing" in refused.err


def test_a_role_in_the_second_message_of_one_name_is_decoded(
    run: Run, drive: Make, platform_folder: Make, tmp_path: Path
) -> None:
    folder = platform_folder(("body/Doors.Hood", "body/Engine.Hood"))
    dbc = folder / "body.dbc"
    dbc.write_text(dbc.read_text(encoding="utf-8").replace("BO_ 512 Doors", "BO_ 512 Engine"), encoding="utf-8")
    said = run("decode", drive(), "--platform", folder, "--role", "hood_open", "-o", "hood.csv")
    assert said.code == 0, said.err
    assert len((tmp_path / "hood.csv").read_text(encoding="utf-8").splitlines()) > 1


def test_values_are_those_the_log_was_written_with(drive: Make, platform_folder: Make) -> None:
    traces = record([drive(coolant=120)], load_platform(platform_folder())).traces
    assert traces["battery_voltage"].value.min() == pytest.approx(9.9)  # V while cranking, as `drive_lines` writes it
    assert traces["battery_current"].value.min() == pytest.approx(-400.0)  # A, drawn is negative
    assert traces["battery_current"].value.max() == pytest.approx(20.0)
    assert set(traces["coolant_temperature"].value.tolist()) == {80.0}  # raw 120, scale 1, offset -40 as printed
    assert set(traces["battery_temperature"].value.tolist()) == {20.0}
    assert set(traces["engine_speed"].value.tolist()) == {250.0, 850.0}


def test_the_raw_value_named_invalid_is_unknown_and_never_a_temperature(drive: Make, platform_folder: Make) -> None:
    trace = record([drive(coolant=255)], load_platform(platform_folder())).traces["coolant_temperature"]
    assert np.isnan(trace.value).all()  # 215 degC if it were taken for a value


@pytest.mark.parametrize(("raw", "state"), [(0, 0.0), (1, 1.0), (2, 1.0)])
def test_a_flag_is_true_for_the_texts_named_and_no_others(
    raw: int, state: float, drive: Make, platform_folder: Make
) -> None:
    trace = record([drive(hood=raw)], load_platform(platform_folder())).traces["hood_open"]
    assert set(trace.value.tolist()) == {state}


def test_a_text_that_says_unknown_makes_a_flag_unknown_not_false(drive: Make, platform_folder: Make) -> None:
    trace = record([drive(hood=3)], load_platform(platform_folder())).traces["hood_open"]  # 3 is "Unknown" in the DBC
    assert np.isnan(trace.value).all()


def test_a_current_that_is_positive_at_discharge_gives_the_same_facts(
    run: Run, drive: Make, platform_folder: Make
) -> None:
    as_printed = run("report", drive("a.log"), "-p", platform_folder(), "-o", "a.html", "--json", "-").json
    turned_folder = platform_folder(('positive = "charge" }     # or "discharge"', 'positive = "discharge" }'))
    turned = run("report", drive("b.log", sign=-1), "-p", turned_folder, "-o", "b.html", "--json", "-").json
    assert turned["starts"][0]["peak_a"] == -400.0
    for part in ("battery", "starts", "rests", "standstills"):
        assert turned[part] == as_printed[part]


@pytest.mark.parametrize("standard", ["EN", "SAE", "IEC", "DIN"])
@pytest.mark.parametrize("kind", ["flooded", "efb", "agm"])
def test_every_battery_type_and_cold_cranking_standard_named_is_taken(
    kind: str, standard: str, platform_folder: Make
) -> None:
    folder = platform_folder(('type = "agm" ', f'type = "{kind}" '), ('standard = "EN"', f'standard = "{standard}"'))
    battery = load_platform(folder).battery
    assert (battery.type, battery.cold_cranking_standard) == (kind, standard)


def test_an_own_open_circuit_curve_is_taken(platform_folder: Make) -> None:
    folder = platform_folder(
        ("# ocv_v = [[0, 11.75], [50, 12.35], [100, 12.90]]   ", "ocv_v = [[0, 11.75], [50, 12.35], [100, 12.90]] #")
    )
    assert [tuple(row) for row in load_platform(folder).battery.ocv_v or ()] == [(0, 11.75), (50, 12.35), (100, 12.90)]


@pytest.mark.parametrize("group", ["safety", "engine", "comfort", "electrical", "driver", "fault"])
@pytest.mark.parametrize("when", ["stop", "restart", "both"])
def test_every_group_and_moment_named_is_taken(group: str, when: str, platform_folder: Make) -> None:
    folder = platform_folder(
        ('group = "electrical"', f'group = "{group}"'), ('applies_to = "stop"', f'applies_to = "{when}"')
    )
    condition = load_platform(folder).idle_stop.conditions[0]
    assert (condition.group, condition.applies_to) == (group, when)


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("schema = 1", "schema = 99", "line 1"),
        ("schema = 1", "schema = ", "line 1"),
        ('kind = "can" ', 'kind = "flexray" ', "line 7"),
        ('"body.dbc"', '"boddy.dbc"', "boddy.dbc"),
        ('battery_voltage     = "sensor', 'battery_volts     = "sensor', "battery_voltage"),
        ("BatteryState.TerminalVoltage", "BatteryState.TerminalVolt", "TerminalVoltage"),
        ('"sensor/BatteryState.Temperature"', '"sensr/BatteryState.Temperature"', "sensor"),
        ('true_when = ["Open"', 'true_when = ["Opne"', "Open"),
        ('positive = "charge" ', 'positive = "left" ', "battery_current"),
        ('type = "agm" ', 'type = "gel" ', "agm"),
        ("capacity_ah = 70 ", "capacity_ah = -70 ", "capacity_ah"),
        ("at_least = 75.0 ", "at_most = 70.0\nat_least = 75.0 ", "at_most"),
        ('role = "battery_soc" ', 'role = "batery_soc" ', "battery_soc"),
        ('group = "electrical" ', 'group = "electric" ', "electrical"),
        ('applies_to = "stop" ', 'applies_to = "stops" ', "stop"),
        ("hysteresis = 3.0 ", "hysteresis = -3.0 ", "hysteresis"),
    ],
)
def test_a_wrong_definition_is_four_and_names_file_and_cure(
    old: str, new: str, named: str, run: Run, drive: Make, platform_folder: Make, tmp_path: Path
) -> None:
    said = run("report", drive(), "-p", platform_folder((old, new)), "-o", "o.html")
    assert said.code == 4, said.err
    assert "platform.toml" in said.err
    assert named in said.err
    assert "Mend:" in said.err
    assert "Traceback" not in said.err
    assert not (tmp_path / "o.html").exists()


@pytest.mark.parametrize("role", ["battery_voltage", "battery_current"])
def test_voltage_and_current_are_required(role: str, run: Run, drive: Make, platform_folder: Make) -> None:
    folder = platform_folder()
    text = (folder / "platform.toml").read_text(encoding="utf-8").splitlines(keepends=True)
    kept = "".join(line for line in text if not line.startswith(role))
    (folder / "platform.toml").write_text(kept, encoding="utf-8")
    said = run("report", drive(), "-p", folder, "-o", "o.html")
    assert said.code == 4
    assert role in said.err


@pytest.mark.parametrize(
    ("name", "content", "where"),
    [
        ("body.dbc", 'VERSION "1"\nBO_ nonsense (((\n', "line 2"),
        ("body.dbc", "", "body.dbc"),
        ("sensor.ldf", "LIN_description_file;\nSignals { A: 8\n", "sensor.ldf"),
        ("sensor.ldf", "\x00\x01\x02", "sensor.ldf"),
    ],
)
def test_a_broken_database_is_four_and_is_named(
    name: str, content: str, where: str, run: Run, drive: Make, platform_folder: Make
) -> None:
    folder = platform_folder()
    (folder / name).write_text(content, encoding="utf-8")
    said = run("report", drive(), "-p", folder, "-o", "o.html")
    assert said.code == 4
    assert name in said.err
    assert where in said.err
    assert "Traceback" not in said.err


@pytest.mark.parametrize("which", ["exampel-van", "no/such/folder", "empty", "", "\x1b[31mred", "../" * 400])
def test_a_platform_that_is_not_there_is_four(which: str, run: Run, drive: Make, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    said = run("report", drive(), "-p", which, "-o", "o.html")
    assert said.code == 4
    assert "Mend:" in said.err
    assert "\x1b" not in said.err


def test_a_condition_whose_role_is_not_on_the_bus_is_unknown_and_never_met(
    run: Run, drive: Make, whole_platform: Path, platform_folder: Make
) -> None:
    met = run("report", drive(), "-p", whole_platform, "-o", "a.html", "--json", "-").json
    assert all("hood shut" not in one["unknown_conditions"] for one in met["standstills"])
    folder = platform_folder()
    text = (whole_platform / "platform.toml").read_text(encoding="utf-8")
    assert UNBOUND_HOOD[0] in text
    (folder / "platform.toml").write_text(text.replace(*UNBOUND_HOOD), encoding="utf-8")
    said = run("report", drive(), "-p", folder, "-o", "b.html", "--json", "-").json
    refused = [one for one in said["standstills"] if one["outcome"] == "refused"]
    assert len(refused) == 3
    assert all("hood shut" in one["unknown_conditions"] for one in refused)


def test_a_bound_role_without_a_frame_in_the_log_is_unknown_as_well(
    run: Run, drive: Make, lines: list[str], whole_platform: Path
) -> None:
    log = drive(lines=[line for line in lines if " 200#" not in line])
    said = run("report", log, "-p", whole_platform, "-o", "o.html", "--json", "-").json
    refused = [one for one in said["standstills"] if one["outcome"] == "refused"]
    assert refused
    assert all("hood shut" in one["unknown_conditions"] for one in refused)


def test_the_sensors_own_charge_decides_where_it_is_broadcast_and_the_estimate_stands_beside_it(
    run: Run, drive: Make, whole_platform: Path, platform_folder: Make
) -> None:
    broadcast = run("report", drive(), "-p", whole_platform, "-o", "a.html", "--json", "-").json
    text = (whole_platform / "platform.toml").read_text(encoding="utf-8")
    folder = platform_folder()
    without = text.replace('battery_soc = "sensor/BatteryCharge.StateOfCharge"\n', "")
    (folder / "platform.toml").write_text(without, encoding="utf-8")
    estimated = run("report", drive(), "-p", folder, "-o", "b.html", "--json", "-").json
    by_sensor = [reason for one in broadcast["standstills"] for reason in one["reasons"]]
    by_estimate = [reason for one in estimated["standstills"] for reason in one["reasons"]]
    assert {reason["value"] for reason in by_sensor} == {71.0}  # what the log's sensor says throughout
    assert by_estimate
    for reason in by_estimate:
        low, high = estimated["battery"]["soc_start"]["low"], estimated["battery"]["soc_end"]["high"]
        assert low < reason["value"] < high
        assert reason["value"] != 71.0
    for figure in ("soc_start", "soc_end", "soc_min"):  # what the sensor says of itself moves no estimate
        assert broadcast["battery"][figure] == estimated["battery"][figure]
