"""`platform check` counts checksums and counters; frames are protected here by independent packages."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from crccheck.crc import Crc8SaeJ1850
from e2e import p01, p02, p05

from idlewhy.platform_kit.check import check_all
from signal_defs.check_finding import CheckFinding

DBC = """VERSION ""
NS_ :
BS_:
BU_: ECU
BO_ 256 Guarded: 8 ECU
 SG_ Volts : 24|16@1+ (0.001,0) [0|20] "V" ECU
 SG_ Amps : 40|16@1- (0.1,0) [-1000|1000] "A" ECU
 SG_ Alive : 8|4@1+ (1,0) [0|15] "" ECU
"""
TOML = """schema = 1
id = "guarded"
title = "Guarded"
[[bus]]
name = "can"
kind = "can"
databases = ["can.dbc"]
[signals]
battery_voltage = "can/Guarded.Volts"
battery_current = "can/Guarded.Amps"
[battery]
type = "agm"
capacity_ah = 70
[[protection]]
bus = "can"
message = "Guarded"
"""
IDS = bytes(range(16, 32))
Protect = Callable[[bytearray, int], None]


def _profile_1(data: bytearray, counter: int) -> None:
    data[1] = counter % 15
    p01.e2e_p01_protect(data, 0x1A2, data_id_mode=p01.E2E_P01_DATAID_BOTH, increment_counter=False)


def _profile_2(data: bytearray, counter: int) -> None:
    data[1] = counter % 16
    p02.e2e_p02_protect(data, IDS, increment_counter=False)


def _profile_5(data: bytearray, counter: int) -> None:
    data[2] = counter % 256
    p05.e2e_p05_protect(data, 0x1234, increment_counter=False)


def _j1850(data: bytearray, counter: int) -> None:
    data[1] = counter % 16
    data[0] = Crc8SaeJ1850.calc(bytes(data[1:]))


KINDS: dict[str, tuple[str, Protect]] = {
    "e2e_1": ('profile = "e2e_1"\ndata_id = 0x1A2\n', _profile_1),
    "e2e_2": (f'profile = "e2e_2"\ndata_ids = {list(IDS)}\n', _profile_2),
    "e2e_5": ('profile = "e2e_5"\ndata_id = 0x1234\n', _profile_5),
    "j1850": ('profile = "j1850"\ncrc_byte = 0\ncounter = "Alive"\n', _j1850),
}


def _check(folder: Path, declared: str, frames: list[bytes]) -> list[CheckFinding]:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / "can.dbc").write_text(DBC, encoding="utf-8")
    (folder / "platform.toml").write_text(TOML + declared, encoding="utf-8")
    log = folder / "a.log"
    log.write_text(
        "".join(f"({1e9 + 0.01 * at:.6f}) can0 100#{data.hex().upper()}\n" for at, data in enumerate(frames)),
        encoding="ascii",
    )
    return [finding for finding in check_all(folder, [log]).findings if "[[protection]]" in finding.place]


def _frames(protect: Protect, count: int = 200) -> list[bytes]:
    frames = []
    for number in range(count):
        data = bytearray((0, 0, 0, *(12_600).to_bytes(2, "little"), *(number % 9).to_bytes(2, "little"), number % 256))
        protect(data, number)
        frames.append(bytes(data))
    return frames


@pytest.mark.parametrize("kind", KINDS)
def test_sound_frames_give_no_finding(kind: str, tmp_path: Path) -> None:
    declared, protect = KINDS[kind]
    assert _check(tmp_path / "p", declared, _frames(protect)) == []


@pytest.mark.parametrize("kind", KINDS)
def test_damaged_frames_are_counted(kind: str, tmp_path: Path) -> None:
    declared, protect = KINDS[kind]
    frames = _frames(protect)
    for number in (10, 50, 51):
        frames[number] = frames[number][:-1] + bytes([frames[number][-1] ^ 0x40])
    found = _check(tmp_path / "p", declared, frames)
    (wrong,) = [finding for finding in found if finding.code == "checksum_wrong"]
    assert (wrong.weight, wrong.what.values["n"], wrong.what.values["of"]) == ("warning", 3, 200)


@pytest.mark.parametrize("kind", KINDS)
def test_lost_and_repeated_frames_are_told_by_the_counter(kind: str, tmp_path: Path) -> None:
    declared, protect = KINDS[kind]
    frames = _frames(protect)
    frames = [*frames[:20], *frames[22:60], frames[59], *frames[60:]]
    (counter,) = _check(tmp_path / "p", declared, frames)
    assert (counter.code, counter.what.values["lost"], counter.what.values["repeated"]) == ("counter", 1, 1)


@pytest.mark.parametrize("kind", ["e2e_1", "e2e_2", "e2e_5"])
def test_a_wrong_data_id_is_an_error_of_the_declaration(kind: str, tmp_path: Path) -> None:
    declared, protect = KINDS[kind]
    wrong = declared.replace("0x1A2", "0x1A3").replace("0x1234", "0x1235")
    if kind == "e2e_2":
        wrong = f'profile = "e2e_2"\ndata_ids = {list(range(100, 116))}\n'
    (found,) = _check(tmp_path / "p", wrong, _frames(protect))
    assert (found.code, found.weight) == ("checksum_wrong", "error")
    assert "the declaration does not fit" in str(found.what)


def test_a_message_that_no_log_holds_is_said_not_to_be_checked(tmp_path: Path) -> None:
    declared = KINDS["j1850"][0]
    folder = tmp_path / "p"
    short = [bytes((0, 0, 0, 0x38, 0x31, 0, 0)) for _ in range(20)]  # 7 of 8 bytes: never whole
    (found,) = _check(folder, declared, short)
    assert found.code == "not_checked"
