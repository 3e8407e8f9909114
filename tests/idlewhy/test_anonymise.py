"""`idlewhy inspect --anonymise`: what is shown of a log tells of idle-stop, and of nothing else."""

from __future__ import annotations

import gzip
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from decoder.frames import Flag, FrameBatch
from decoder.lin import protect
from decoder.logs import open_log
from decoder.record import record
from idle_stop.analysis import Analysis, analyse
from idlewhy.anonymise import anonymise, message_mask
from idlewhy.cli.main import main
from idlewhy.demo.make import make_logs, write_log
from signal_defs.errors import LogError, UsageError
from signal_defs.layout import MessageLayout, Multiplexed, SignalLayout
from signal_defs.load import load_platform
from signal_defs.platform import Platform

SECRET = bytes.fromhex("DEADBEEF00C0FFEE")


@pytest.fixture(scope="module")
def van() -> Platform:
    return load_platform("example-van")


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo van whose hood switch refuses every stop: CAN and LIN in one ASC log, checksums logged."""
    folder = tmp_path_factory.mktemp("original")
    make_logs(folder, only=("van-04",))
    return folder / "van-04.asc"


@pytest.fixture(scope="module")
def shown(original: Path, van: Platform) -> Path:
    out = original.with_name("to-show.log.gz")
    anonymise([str(original)], van, str(out))
    return out


def _told(analysis: Analysis) -> list[object]:
    """Every standstill with its outcome and reasons, and the findings."""
    start = analysis.recording.start_ns
    standstills = [
        (
            stand.start_ns - start,
            stand.end_ns - start,
            stand.outcome,
            stand.ended_by,
            [(reason.condition, reason.value, reason.threshold) for reason in stand.reasons],
            stand.unknown_conditions,
        )
        for stand in analysis.account.standstills
    ]
    return [standstills, [(one.code, one.weight) for one in analysis.findings]]


def test_a_report_on_the_anonymous_log_gives_the_same_account(original: Path, shown: Path, van: Platform) -> None:
    before, after = analyse([original], van), analyse([shown], van)
    assert len(before.account.standstills) > 5
    assert _told(after) == _told(before)


def _frames(path: Path) -> FrameBatch:
    (batch,) = open_log(path).batches()
    return batch


def _log(folder: Path, name: str, rows: list[tuple[float, int, int, bytes, int]], start_s: int = 1_700_000_123) -> Path:
    """A log of (seconds, channel, identifier, data, checksum) on "can0" and "lin0"."""
    lin = np.array([row[1] == 1 for row in rows])
    batch = FrameBatch(
        np.array([int((start_s + row[0]) * 1000) * 1_000_000 for row in rows], np.int64),
        np.array([row[1] for row in rows], np.uint16),
        ("can0", "lin0"),
        np.array([row[2] for row in rows], np.uint32),
        np.where(lin, np.uint16(Flag.LIN), np.uint16(0)),
        np.array([len(row[3]) for row in rows], np.uint8),
        np.array([list(row[3].ljust(8, b"\0")) for row in rows], np.uint8),
        np.array([row[4] for row in rows], np.int16),
    )
    path = folder / name
    write_log(path, batch)
    return path


BATTERY = bytes.fromhex("E23147541E8200FF")  # the example van's own golden frame on 0x21
BATTERY_BITS = "E23147541E820000"  # by hand: voltage, current and temperature fill bytes 0 to 5, no role the last two
GOOD = 0xFF - (0x61 + sum(BATTERY)) % 255  # enhanced checksum by hand: inverted sum with carry, pid 0x61


def test_frames_of_other_messages_and_bits_of_no_role_are_gone(tmp_path: Path, van: Platform) -> None:
    log = _log(
        tmp_path,
        "a.log",
        [(0.0, 0, 0x7A0, SECRET, -1), (0.1, 1, 0x21, BATTERY, -1), (0.2, 0, 0x310, b"\xff" * 8, -1)],
    )
    anonymise([str(log)], van, str(tmp_path / "out.log"))
    frames = _frames(tmp_path / "out.log")
    assert frames.identifier.tolist() == [0x21, 0x310]
    hood = van.bus("body").message("Doors").signal("Hood")
    door = van.bus("body").message("Doors").signal("Driver")
    ones = int(np.unpackbits(frames.payload[1]).sum())
    assert ones == hood.length + door.length
    assert SECRET.hex().upper() not in (tmp_path / "out.log").read_text(encoding="ascii")


def test_the_date_and_time_of_day_are_gone_and_the_timing_is_not(tmp_path: Path, van: Platform) -> None:
    log = _log(tmp_path, "a.log", [(0.25, 1, 0x21, BATTERY, -1), (7.375, 1, 0x21, BATTERY, -1)])
    anonymise([str(log)], van, str(tmp_path / "out.log"))
    # 1 577 836 800 s is 2020-01-01T00:00:00Z
    assert (tmp_path / "out.log").read_text(encoding="ascii").splitlines() == [
        f"(1577836800.250000) lin0 021#{BATTERY_BITS}",
        f"(1577836807.375000) lin0 021#{BATTERY_BITS}",
    ]


def test_a_log_without_a_date_begins_at_one_second(tmp_path: Path, van: Platform) -> None:
    log = _log(tmp_path, "a.log", [(0.5, 1, 0x21, BATTERY, -1), (1.0, 1, 0x21, BATTERY, -1)], start_s=77)
    anonymise([str(log)], van, str(tmp_path / "out.log"))
    assert (_frames(tmp_path / "out.log").time_ns / 1e9).tolist() == [1.5, 2.0]


def test_lin_frames_with_a_wrong_checksum_are_still_rejected(tmp_path: Path, van: Platform) -> None:
    rows = [(0.1 * n, 1, 0x21, BATTERY, GOOD if n % 5 else GOOD ^ 1) for n in range(20)]
    log = _log(tmp_path, "a.asc", rows)
    assert protect(0x21) == 0x61  # by hand: P0 = 1^0^0^0 = 1, P1 = not(0^0^0^1) = 0
    anonymise([str(log)], van, str(tmp_path / "out.log"))
    before, after = record([log], van), record([tmp_path / "out.log"], van)
    assert before.faults.rejected == {"lin_checksum": 4}
    assert after.faults.rejected == {"lin_parity": 4}
    assert np.array_equal(before.traces["battery_voltage"].value, after.traces["battery_voltage"].value)


def test_lin_headers_without_an_answer_are_still_counted(tmp_path: Path, van: Platform) -> None:
    log = tmp_path / "a.log"
    data = BATTERY.hex()
    lines = [
        "(1700000000.000000) lin0 021#R",
        f"(1700000000.010000) lin0 021#{data}",
        "(1700000000.050000) lin0 021#R",  # no answer, and the next one asks again within 100 ms
        "(1700000000.090000) lin0 021#R",
        f"(1700000000.095000) lin0 021#{data}",
        "(1700000000.500000) lin0 021#R",  # no answer at all
    ]
    log.write_text("\n".join(lines) + "\n", encoding="ascii")
    anonymise([str(log)], van, str(tmp_path / "out.log"))
    for path in (log, tmp_path / "out.log"):
        assert record([path], van).faults.rejected["lin_no_response"] == 2


def test_a_clock_that_steps_back_is_left_as_it_is(tmp_path: Path, van: Platform) -> None:
    times = [0.0, 0.5, 3600.0, 3600.5, 5.0, 5.5]
    log = _log(tmp_path, "a.log", [(time, 1, 0x21, BATTERY, -1) for time in times])
    anonymise([str(log)], van, str(tmp_path / "out.log"))
    written = _frames(tmp_path / "out.log").time_ns / 1e9
    assert (written - written[0]).tolist() == times


def test_several_logs_keep_their_distance_and_lose_their_names(tmp_path: Path, van: Platform) -> None:
    logs = [
        str(_log(tmp_path, name, [(0.0, 1, 0x21, BATTERY, -1), (1.0, 1, 0x21, BATTERY, -1)], start_s=start))
        for name, start in (("anna-tuesday.log", 1_700_086_400), ("anna-monday.log", 1_700_000_000))
    ]
    out = tmp_path / "shown"
    anonymise(logs, van, str(out))
    assert sorted(path.name for path in out.iterdir()) == ["log-1.log", "log-2.log"]
    apart = _frames(out / "log-1.log").time_ns[0] - _frames(out / "log-2.log").time_ns[0]
    assert apart == 86_400 * 10**9
    with pytest.raises(UsageError, match="new folder"):
        anonymise(logs, van, str(out))


def test_can_fd_frames_and_their_bits_are_kept(tmp_path: Path, van: Platform) -> None:
    engine = van.bus("body").message("Engine")
    log = tmp_path / "a.log"
    log.write_text(
        f"(1700000000.000000) can0 {engine.identifier:03X}##1{'FF' * 12}\n"
        f"(1700000001.000000) lin0 021#{BATTERY.hex()}\n",
        encoding="ascii",
    )
    anonymise([str(log)], van, str(tmp_path / "out.log"))
    frames = _frames(tmp_path / "out.log")
    assert (frames.flags & Flag.FD != 0).tolist() == [True, False]
    assert frames.length.tolist() == [12, 8]
    assert not frames.payload[0, 8:].any()  # no signal of the message lies there


def test_messages_matched_by_parameter_group_keep_their_sender_and_their_values(tmp_path: Path) -> None:
    platform = load_platform("open-standard")
    binding = platform.bindings["battery_voltage"]
    message = platform.bus(binding.bus).message(binding.message)
    assert message.match == "pgn"
    sender = message.identifier & ~0xFF | 0x5A
    log = tmp_path / "a.log"
    log.write_text(
        "".join(f"({1_700_000_000 + n}.500000) vcan9 {sender:08X}#{n:02X}11223344556677\n" for n in range(20)),
        encoding="ascii",
    )
    anonymise([str(log)], platform, str(tmp_path / "out.log"))
    before, after = record([log], platform), record([tmp_path / "out.log"], platform)
    assert set(_frames(tmp_path / "out.log").identifier.tolist()) == {sender}
    assert before.traces.keys() == after.traces.keys()
    for role, trace in before.traces.items():
        assert np.array_equal(trace.value, after.traces[role].value, equal_nan=True)


def test_the_multiplexer_of_a_needed_signal_is_needed() -> None:
    message = MessageLayout(
        "Mixed",
        0x100,
        8,
        (
            SignalLayout("Page", 0, 4, is_multiplexer=True),
            SignalLayout("Sub", 8, 4, multiplexed=Multiplexed("Page", ((1, 1),)), is_multiplexer=True),
            SignalLayout("Value", 23, 12, "big", multiplexed=Multiplexed("Sub", ((2, 2),))),
            SignalLayout("Other", 40, 8, multiplexed=Multiplexed("Sub", ((3, 3),))),
        ),
    )
    # by hand: bits 0-3 of byte 0, bits 0-3 of byte 1; twelve bits from bit 7 of byte 2 down into byte 3
    assert message_mask(message, {"Value"})[:8].tolist() == [0x0F, 0x0F, 0xFF, 0xF0, 0, 0, 0, 0]


def test_a_role_of_the_platforms_own_is_kept_only_for_a_condition(tmp_path: Path, van: Platform) -> None:
    own = replace(van.bindings["hood_open"], role=replace(van.bindings["hood_open"].role, name="x_driver_name"))
    bindings = {role: one for role, one in van.bindings.items() if one.message != "Doors"} | {"x_driver_name": own}
    log = _log(tmp_path, "a.log", [(0.0, 1, 0x21, BATTERY, -1), (0.2, 0, 0x310, b"\xff" * 8, -1)])
    anonymise([str(log)], replace(van, bindings=bindings), str(tmp_path / "out.log"))
    assert _frames(tmp_path / "out.log").identifier.tolist() == [0x21]


def test_the_compressed_file_holds_no_name_and_no_time_of_writing(shown: Path) -> None:
    head = shown.read_bytes()[:10]
    assert head[:4] == b"\x1f\x8b\x08\x00"  # RFC 1952: no flags, so no name
    assert head[4:8] == bytes(4)  # MTIME 0
    assert gzip.decompress(shown.read_bytes()).startswith(b"(15778368")


def test_a_log_with_nothing_needed_is_an_input_fault_and_leaves_no_file(tmp_path: Path, van: Platform) -> None:
    log = tmp_path / "a.log"
    log.write_text("(1700000000.000000) can7 123#00\n", encoding="ascii")
    with pytest.raises(LogError, match="no frame that this platform's roles need"):
        anonymise([str(log)], van, str(tmp_path / "out.log"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.log"]


def test_the_command_asks_for_both_options_and_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = str(_log(tmp_path, "a.log", [(0.0, 1, 0x21, BATTERY, -1)]))
    out = str(tmp_path / "out.log")
    assert main(["inspect", log, "--anonymise", out]) == 2
    assert main(["inspect", "-", "--anonymise", out, "-p", "example-van"]) == 2
    assert main(["inspect", log, "--anonymise", log, "-p", "example-van"]) == 2  # would overwrite the log
    capsys.readouterr()
    assert main(["inspect", log, "--anonymise", out, "-p", "example-van"]) == 0
    assert capsys.readouterr().out == f"1 of 1 frames  -> {out}\n"
