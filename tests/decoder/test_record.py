"""Logs to a recording: routing, sign and unit, merging, and what is told of bad data."""

from __future__ import annotations

import gzip
import hashlib
import io
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from decoder import lin
from decoder.record import record
from signal_defs.errors import LogError, UsageError
from signal_defs.layout import MessageLayout, SignalLayout
from signal_defs.platform import Battery, Binding, Bus, Platform
from signal_defs.roles import ROLES

T = 1_700_000_000.0  # 2023-11-14 22:13:20 UTC

ENGINE = MessageLayout(
    "Engine",
    0x100,
    8,
    (SignalLayout("Speed", 0, 16, scale=0.25, maximum=8000.0), SignalLayout("Gear", 16, 3, choices={0: "N", 1: "1"})),
)
DOORS = MessageLayout(
    "Doors",
    0x200,
    2,
    (SignalLayout("Hood", 0, 2, choices={0: "Closed", 1: "Open", 2: "NotLatched"}, invalid=((3, 3),)),),
)
OTHER = MessageLayout("Other", 0x300, 8, (SignalLayout("X", 0, 8),))
STATE = MessageLayout(
    "State",
    0x21,
    5,
    (
        SignalLayout("Voltage", 0, 16, scale=0.001, invalid=((0xFFFF, 0xFFFF),)),
        SignalLayout("Current", 16, 16, scale=0.05, offset=-1600.0),
        SignalLayout("Error", 32, 1),
    ),
    checksum="enhanced",
)


def bind(role: str, bus: str, message: str, signal: str, **more: object) -> Binding:
    return Binding(ROLES[role], bus, message, signal, **more)  # type: ignore[arg-type]


def platform(body: tuple[str, ...] = ("can0",), sensor: tuple[str, ...] = ("lin0",)) -> Platform:
    bindings = [
        bind("battery_voltage", "sensor", "State", "Voltage"),
        bind("battery_current", "sensor", "State", "Current", sign=-1),
        bind("lin_response_error", "sensor", "State", "Error"),
        bind("engine_speed", "body", "Engine", "Speed"),
        bind("gear", "body", "Engine", "Gear"),
        bind("hood_open", "body", "Doors", "Hood", true_when=("Open", "NotLatched")),
    ]
    return Platform(
        "by-hand",
        "Made by hand",
        (Bus("body", "can", body, (ENGINE, DOORS, OTHER)), Bus("sensor", "lin", sensor, (STATE,))),
        {binding.role.name: binding for binding in bindings},
        Battery("agm", 70.0),
    )


def engine(rpm: float, gear: int = 0) -> str:
    return (int(rpm * 4).to_bytes(2, "little") + bytes([gear, 0, 0, 0, 0, 0])).hex().upper()


def state(volt: float, ampere: float, error: int = 0, *, kind: str = "", spoilt: bool = False) -> str:
    """A sensor frame; kind "classic" or "enhanced" puts its checksum behind it."""
    data = (
        round(volt * 1000).to_bytes(2, "little") + round((ampere + 1600) / 0.05).to_bytes(2, "little") + bytes([error])
    )
    if kind:
        pid = lin.protect(0x21)
        check = lin.checksum_classic(data) if kind == "classic" else lin.checksum_enhanced(pid, data)
        data += bytes([check ^ (0x55 if spoilt else 0)])
    return data.hex().upper()


def line(seconds: float, channel: str, identifier: str, data: str) -> str:
    return f"({seconds:.6f}) {channel} {identifier}#{data}\n"


def write(path: Path, *lines: str) -> Path:
    path.write_text("".join(lines))
    return path


def drive(start: float, seconds: int, volt: float = 12.5, can: str = "can0", sensor_line: str = "lin0") -> list[str]:
    """Ten frames a second of the engine and the sensor, one a second of the doors."""
    lines = []
    for tick in range(seconds * 10):
        at = start + tick / 10
        lines.append(line(at, can, "100", engine(800 + tick, 1)))
        lines.append(line(at + 0.01, sensor_line, "021", state(volt + tick / 1000, -5.0)))
        if tick % 10 == 0:
            lines.append(line(at + 0.02, can, "200", "0100"))
    return lines


def test_roles_come_in_their_unit_and_sign(tmp_path: Path) -> None:
    got = record([write(tmp_path / "a.log", *drive(T, 2))], platform())
    assert got.absolute_time
    assert got.frames == 42
    assert got.frames_decoded == 42
    assert got.start_ns == int(T) * 10**9
    assert got.traces["battery_voltage"].value[:2].tolist() == [12.5, 12.501]
    assert got.traces["battery_current"].value[0] == pytest.approx(5.0, abs=1e-9)  # the platform counts discharge
    assert got.traces["engine_speed"].value.tolist() == [800.0 + tick for tick in range(20)]
    assert got.traces["hood_open"].value.tolist() == [1.0, 1.0]
    assert got.traces["gear"].labels == {0: "N", 1: "1"}
    assert got.traces["gear"].value[0] == 1.0
    assert got.faults.never_seen == ()
    assert got.faults.rejected == {}
    assert got.sources[0].format == "candump"
    assert len(got.sources[0].sha256) == 64


def test_invalid_and_out_of_range_values_are_no_values(tmp_path: Path) -> None:
    lines = [
        line(T, "can0", "200", "0300"),  # the hood's code for an error
        line(T + 1, "can0", "100", engine(9000)),  # over the definition's 8000 rpm
        line(T + 2, "lin0", "021", "FFFF007D00"),
    ]
    got = record([write(tmp_path / "a.log", *lines)], platform())
    for role in ("hood_open", "engine_speed", "battery_voltage"):
        assert got.traces[role].valid.tolist() == [False]
        assert np.isnan(got.traces[role].value[0])
    assert got.traces["battery_current"].valid.tolist() == [True]


def test_a_payload_that_ends_before_a_signal_is_counted_as_truncated(tmp_path: Path) -> None:
    lines = [line(T, "can0", "100", "A00F"), *drive(T + 1, 1)]
    got = record([write(tmp_path / "a.log", *lines)], platform())
    assert got.faults.rejected == {"truncated": 1}
    assert len(got.traces["engine_speed"]) == 11
    assert len(got.traces["gear"]) == 10


def test_remote_and_error_frames_are_never_decoded(tmp_path: Path) -> None:
    lines = [*drive(T, 1), line(T + 2, "can0", "20000080", "0000000000000000"), line(T + 2.1, "can0", "100", "R")]
    got = record([write(tmp_path / "a.log", *lines)], platform())
    assert got.faults.rejected == {"error_frame": 1, "remote_frame": 1}
    assert len(got.traces["engine_speed"]) == 10


def test_what_no_database_defines_is_told(tmp_path: Path) -> None:
    lines = [*drive(T, 1), *(line(T + n / 10, "can0", "7E8", "00") for n in range(3))]
    got = record([write(tmp_path / "a.log", *lines)], platform())
    assert got.faults.unknown_identifiers == {("can0", 0x7E8): 3}


def test_a_role_without_a_sample_is_told(tmp_path: Path) -> None:
    got = record([write(tmp_path / "a.log", *(one for one in drive(T, 1) if "lin0" in one))], platform())
    assert set(got.faults.never_seen) == {"engine_speed", "gear", "hood_open"}


# ---------------------------------------------------------------- LIN


def sensor(*frames: str) -> list[str]:
    return [line(T + number / 10, "lin0", "021", data) for number, data in enumerate(frames)]


@pytest.mark.parametrize("kind", ["classic", "enhanced"])
def test_the_majority_settles_the_checksum_and_the_misfits_are_rejected(tmp_path: Path, kind: str) -> None:
    other = "enhanced" if kind == "classic" else "classic"
    good = [state(12.0 + n / 10, 0.0, kind=kind) for n in range(8)]
    bad = [state(1.0, 0.0, kind=other), state(2.0, 0.0, kind=kind, spoilt=True)]
    got = record([write(tmp_path / "a.log", *sensor(*good, *bad))], platform())
    assert got.faults.rejected == {"lin_checksum": 2}
    assert got.traces["battery_voltage"].value.min() == 12.0
    told = any("checksum" in note for note in got.sources[0].notes)
    assert told == (kind == "classic")  # the definition says enhanced


def test_a_header_without_a_response_is_a_fault_of_its_own_and_an_answered_one_is_none(tmp_path: Path) -> None:
    lines = [
        line(T, "lin0", "021", "R"),
        line(T + 0.005, "lin0", "021", state(12.0, 0.0)),
        line(T + 1, "lin0", "021", "R"),
        line(T + 2, "lin0", "021", "R"),
        line(T + 2.005, "lin0", "021", state(12.1, 0.0)),
    ]
    got = record([write(tmp_path / "a.log", *lines)], platform())
    assert got.faults.rejected == {"lin_no_response": 1}
    assert got.traces["battery_voltage"].value.tolist() == [12.0, 12.1]


def test_protected_identifiers_are_known_by_their_parity(tmp_path: Path) -> None:
    lines = [
        line(T, "lin0", "061", state(12.0, 0.0)),  # by hand: 0x21 is protected as 0x61
        line(T + 1, "lin0", "0A1", state(13.0, 0.0)),  # wrong parity
    ]
    got = record([write(tmp_path / "a.log", *lines)], platform())
    assert got.traces["battery_voltage"].value.tolist() == [12.0]
    assert got.faults.rejected == {"lin_parity": 1}


def test_response_errors_are_counted_by_edges(tmp_path: Path) -> None:
    bits = [0, 0, 1, 1, 1, 0, 1, 0]
    got = record([write(tmp_path / "a.log", *sensor(*(state(12.0, 0.0, bit) for bit in bits)))], platform())
    assert got.faults.response_error_edges == 2


# ---------------------------------------------------------------- which bus a channel is


@pytest.mark.parametrize(("can", "sensor_line"), [("can0", "lin0"), ("CAN0", "LIN0"), ("vcan7", "slcan3")])
def test_a_channel_is_found_by_name_or_by_what_is_on_it(tmp_path: Path, can: str, sensor_line: str) -> None:
    got = record([write(tmp_path / "a.log", *drive(T, 1, can=can, sensor_line=sensor_line))], platform())
    assert got.faults.never_seen == ()
    guessed = [note for note in got.sources[0].notes if "by its identifiers" in note]
    assert bool(guessed) == (can == "vcan7")


def test_a_bus_without_channels_is_found_by_its_identifiers(tmp_path: Path) -> None:
    got = record([write(tmp_path / "a.log", *drive(T, 1))], platform(body=(), sensor=()))
    assert got.faults.never_seen == ()


def test_a_channel_named_like_the_wrong_bus_is_told_and_read_right(tmp_path: Path) -> None:
    buses = (Bus("body", "can", ("can1",), (ENGINE, DOORS)), Bus("chassis", "can", ("can0",), (STATE,)))
    swapped = Platform(
        "swapped", "", buses, {"engine_speed": bind("engine_speed", "body", "Engine", "Speed")}, Battery("agm", 70.0)
    )
    got = record([write(tmp_path / "a.log", *(one for one in drive(T, 1) if "can0" in one))], swapped)
    assert len(got.traces["engine_speed"]) == 10
    assert any("has the name of bus" in note for note in got.sources[0].notes)


def test_a_message_that_the_database_defines_for_two_identifiers_is_one(tmp_path: Path) -> None:
    twice = replace(platform(), buses=(Bus("body", "can", (), (ENGINE, replace(ENGINE, identifier=0x110), DOORS)),))
    twice = replace(twice, bindings={role: one for role, one in platform().bindings.items() if one.bus == "body"})
    lines = [line(T + n, "can0", ("100", "110")[n % 2], engine(800 + n)) for n in range(6)]
    got = record([write(tmp_path / "a.log", *lines)], twice)
    assert got.traces["engine_speed"].value.tolist() == [800, 801, 802, 803, 804, 805]
    assert got.frames_decoded == 6


# ---------------------------------------------------------------- several logs


def test_logs_in_any_order_are_one_recording(tmp_path: Path) -> None:
    whole = drive(T, 6)
    cut = len(whole) // 2
    one = write(tmp_path / "one.log", *whole)
    first, second = write(tmp_path / "b.log", *whole[:cut]), write(tmp_path / "a.log", *whole[cut:])
    expected = record([one], platform())
    for paths in ([first, second], [second, first]):
        got = record(paths, platform())
        assert got.frames_decoded == expected.frames_decoded
        assert got.faults.clock_steps_ns == ()
        for role, trace in expected.traces.items():
            assert got.traces[role].time_ns.tolist() == trace.time_ns.tolist()
            assert got.traces[role].value.tolist() == trace.value.tolist()


def test_what_two_logs_both_hold_is_counted_once(tmp_path: Path) -> None:
    whole = drive(T, 6)
    first, second = write(tmp_path / "a.log", *whole[:90]), write(tmp_path / "b.log", *whole[50:])
    got = record([first, second], platform())
    expected = record([write(tmp_path / "one.log", *whole)], platform())
    assert got.frames_decoded == expected.frames_decoded == len(whole)
    assert got.faults.rejected == {"duplicate": 40}
    for role, trace in expected.traces.items():
        assert got.traces[role].value.tolist() == trace.value.tolist()


def test_a_file_given_twice_is_read_once(tmp_path: Path) -> None:
    log = write(tmp_path / "a.log", *drive(T, 1))
    copy = write(tmp_path / "copy.log", *drive(T, 1))
    got = record([log, copy, log], platform())
    assert len(got.sources) == 1
    assert got.frames == 21


def test_equal_frames_of_one_log_are_all_kept(tmp_path: Path) -> None:
    lines = [line(T, "can0", "100", engine(800))] * 3
    got = record([write(tmp_path / "a.log", *lines)], platform())
    assert len(got.traces["engine_speed"]) == 3


def test_forty_minutes_between_two_logs_are_a_gap(tmp_path: Path) -> None:
    first, second = write(tmp_path / "a.log", *drive(T, 5)), write(tmp_path / "b.log", *drive(T + 2405, 5))
    got = record([first, second], platform())
    lost = [gap for gap in got.faults.gaps if gap.role in {"", "battery_current"}]
    assert {gap.role for gap in lost} == {"", "battery_current"}
    assert all(gap.seconds == pytest.approx(2400, abs=0.2) for gap in lost)


def test_logs_without_a_date_follow_each_other_with_a_step_between(tmp_path: Path) -> None:
    first = write(tmp_path / "a.log", *drive(0.0, 2))
    second = write(tmp_path / "b.log", *drive(0.0, 3, volt=13.0))
    got = record([first, second], platform())
    assert not got.absolute_time
    assert len(got.faults.clock_steps_ns) == 1
    trace = got.traces["battery_voltage"]
    assert (np.diff(trace.time_ns) > 0).all()
    assert trace.value[0] == 12.5
    assert trace.value[20] == 13.0
    step = got.faults.clock_steps_ns[0]
    assert trace.time_ns[19] < step <= trace.time_ns[20]


# ---------------------------------------------------------------- the clock


def test_a_clock_set_back_is_a_step_and_no_sample_is_lost(tmp_path: Path) -> None:
    got = record([write(tmp_path / "a.log", *drive(T, 10), *drive(T + 4, 20, volt=13.0))], platform())
    assert len(got.faults.clock_steps_ns) == 1
    trace = got.traces["battery_voltage"]
    assert len(trace) == 300
    assert (np.diff(trace.time_ns) > 0).all()
    assert got.faults.clock_steps_ns[0] == got.traces["engine_speed"].time_ns[100]
    assert got.duration_s < 35


def test_a_clock_set_from_the_seventies_is_a_step_not_half_a_century(tmp_path: Path) -> None:
    got = record([write(tmp_path / "a.log", *drive(1000.0, 2), *drive(T, 20))], platform())
    assert len(got.faults.clock_steps_ns) == 1
    assert got.absolute_time
    assert got.duration_s < 30


def test_one_frame_with_a_wild_time_is_left_out_and_counted(tmp_path: Path) -> None:
    lines = drive(T, 2)
    lines.insert(20, line(T + 5e8, "can0", "100", engine(5000)))
    got = record([write(tmp_path / "a.log", *lines)], platform())
    assert got.faults.rejected == {"bad_time": 1}
    assert got.faults.clock_steps_ns == ()
    assert got.duration_s < 3


def test_lines_that_cannot_be_read_are_counted_as_unreadable(tmp_path: Path) -> None:
    lines = drive(T, 2)
    lines[20:20] = ["(1700000001.000000) can0 100#A00\n", "this is no frame\n"]
    got = record([write(tmp_path / "a.log", *lines)], platform())
    assert got.faults.rejected == {"unreadable": 2}
    assert sum(got.sources[0].dropped.values()) == 2


@pytest.mark.parametrize("pack", [bytes, gzip.compress, lambda raw: gzip.compress(raw) + bytes(200_000)])
def test_standard_input_is_named_by_the_hash_and_size_of_all_its_bytes(
    monkeypatch: pytest.MonkeyPatch, pack: Callable[[bytes], bytes]
) -> None:
    content = pack("".join(drive(T, 2)).encode())
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(content)))
    source = record(["-"], platform()).sources[0]
    assert (source.sha256, source.bytes) == (hashlib.sha256(content).hexdigest(), len(content))


def test_frames_a_little_out_of_order_are_put_in_order(tmp_path: Path) -> None:
    lines = drive(T, 2)
    lines[3], lines[8] = lines[8], lines[3]
    got = record([write(tmp_path / "a.log", *lines)], platform())
    assert got.faults.clock_steps_ns == ()
    assert all((np.diff(trace.time_ns) >= 0).all() for trace in got.traces.values())


def test_a_value_that_never_moves_is_frozen(tmp_path: Path) -> None:
    lines = [line(T + n / 2, "lin0", "021", state(12.5, n / 10)) for n in range(200)]
    got = record([write(tmp_path / "a.log", *lines)], platform())
    assert got.faults.frozen == ("battery_voltage",)


# ---------------------------------------------------------------- what cannot be used


def test_no_log_is_a_wrong_use() -> None:
    with pytest.raises(UsageError, match="No log"):
        record([], platform())


def test_a_log_of_another_vehicle_is_refused_with_what_is_in_it(tmp_path: Path) -> None:
    log = write(tmp_path / "a.log", *(line(T + n, "can3", "5D0", "00") for n in range(5)))
    with pytest.raises(LogError) as error:
        record([log], platform())
    text = str(error.value)
    for word in ("can3", "0x5D0", "by-hand", "body", "can0", "a.log"):
        assert word in text


def test_a_log_of_which_no_frame_is_sound_says_why(tmp_path: Path) -> None:
    log = write(tmp_path / "a.log", *sensor("R", "R", "R"))
    with pytest.raises(LogError, match="3 lin no response"):
        record([log], platform())
