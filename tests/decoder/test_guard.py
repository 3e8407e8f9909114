"""Frames of protected messages that fail their own checksum or counter give no sample."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from crccheck.crc import Crc8SaeJ1850
from e2e import p01

from decoder.guard import Guard
from decoder.record import record
from decoder.signals import DecodeReport, decode_signals
from signal_defs.errors import LogError
from signal_defs.layout import MessageLayout, SignalLayout
from signal_defs.platform import Battery, Binding, Bus, Platform, Profile, Protection
from signal_defs.roles import ROLES

MESSAGE = MessageLayout(
    "Guarded",
    0x100,
    8,
    (SignalLayout("Volts", 24, 16, scale=0.001), SignalLayout("Alive", 8, 4), SignalLayout("Amps", 40, 16)),
)


def platform(profile: Profile) -> Platform:
    protection = Protection("can", "Guarded", profile, (0x1A2,), counter="Alive" if profile == "j1850" else "")
    bindings = {"battery_voltage": Binding(ROLES["battery_voltage"], "can", "Guarded", "Volts")}
    bus = Bus("can", "can", (), (MESSAGE,))
    return Platform("guarded", "", (bus,), bindings, Battery("agm", 70.0), protections=(protection,))


def frame(number: int, profile: Profile) -> bytes:
    """Protected by an independent package."""
    data = bytearray((0, 0, 0, *(12_000 + number).to_bytes(2, "little"), 0, 0, 0))
    if profile == "j1850":
        data[1] = number % 16
        data[0] = Crc8SaeJ1850.calc(bytes(data[1:]))
    else:
        data[1] = number % 15
        p01.e2e_p01_protect(data, 0x1A2, data_id_mode=p01.E2E_P01_DATAID_BOTH, increment_counter=False)
    return bytes(data)


def write(path: Path, frames: list[bytes]) -> Path:
    path.write_text("".join(f"({1e9 + 0.1 * at:.6f}) can0 100#{data.hex()}\n" for at, data in enumerate(frames)))
    return path


def damaged(profile: Profile) -> list[bytes]:
    """Forty frames: 7 and 8 are damaged, 20 was sent again behind itself, and one is too short."""
    frames = [frame(number, profile) for number in range(40)]
    for number in (7, 8):
        frames[number] = frames[number][:-1] + b"\x40"
    return [*frames[:21], frames[20], *frames[21:], frames[0][:6]]


@pytest.mark.parametrize("profile", ["e2e_1", "j1850"])
def test_frames_that_fail_their_protection_are_counted_and_left_out(profile: Profile, tmp_path: Path) -> None:
    got = record([write(tmp_path / "a.log", damaged(profile))], platform(profile))
    assert got.faults.rejected == {"payload_checksum": 2, "payload_counter": 1, "payload_short": 1}
    expected = [12.0 + number / 1000 for number in range(40) if number not in {7, 8}]
    assert got.traces["battery_voltage"].value.tolist() == pytest.approx(expected, abs=1e-9)


def test_decoding_leaves_them_out_too(tmp_path: Path) -> None:
    report = DecodeReport()
    path = write(tmp_path / "a.log", damaged("e2e_1"))
    batches = list(decode_signals([path], platform("e2e_1"), report=report))
    assert report.rejected == Counter(payload_checksum=2, payload_counter=1, payload_short=1)
    assert [len(one.value) for one in batches] == [38, 38, 38]


def test_a_recording_without_one_sound_frame_says_why(tmp_path: Path) -> None:
    path = write(tmp_path / "a.log", [bytes(8)] * 5)
    with pytest.raises(LogError, match="5 payload checksum"):
        record([path], platform("e2e_1"))


def test_the_same_frames_without_a_declared_protection_all_count(tmp_path: Path) -> None:
    got = record([write(tmp_path / "a.log", damaged("e2e_1"))], replace(platform("e2e_1"), protections=()))
    assert len(got.traces["battery_voltage"].value) == 42
    assert not any(kind.startswith("payload") for kind in got.faults.rejected)


def test_a_counter_is_followed_from_batch_to_batch_but_not_from_log_to_log() -> None:
    guard = Guard(platform("e2e_1").protections[0], MESSAGE)
    payload = np.frombuffer(frame(3, "e2e_1"), np.uint8).reshape(1, 8)
    length = np.array([8], np.uint8)
    rejected: Counter[str] = Counter()
    kept = [bool(guard.sound(payload, length, log, rejected)[0]) for log in (0, 0, 1)]
    assert kept == [True, False, True]
    assert rejected == Counter(payload_counter=1)
