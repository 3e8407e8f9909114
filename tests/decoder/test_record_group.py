"""Messages matched by parameter group (SAE J1939), and what is told while logs are read."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path

import pytest

from decoder.record import record
from signal_defs.layout import MessageLayout, SignalLayout
from signal_defs.platform import Battery, Binding, Bus, Platform
from signal_defs.roles import ROLES

J1939 = MessageLayout("Eec1", 0x0CF00400, 8, (SignalLayout("Speed", 24, 16, scale=0.125),), extended=True, match="pgn")
TO_ONE = MessageLayout("Request", 0x18EA0003, 3, (SignalLayout("Group", 0, 8),), extended=True, match="pgn")


def truck() -> Platform:
    bindings = {
        "engine_speed": Binding(ROLES["engine_speed"], "main", "Eec1", "Speed"),
        "slope": Binding(ROLES["slope"], "main", "Request", "Group"),
    }
    return Platform("truck", "", (Bus("main", "can", (), (J1939, TO_ONE)),), bindings, Battery("flooded", 140.0))


def write(path: Path, lines: list[tuple[int, str, str]]) -> Path:
    """A log of (second, identifier, data)."""
    path.write_text("".join(f"({1_700_000_000 + at}.000000) can0 {name}#{data}\n" for at, name, data in lines))
    return path


def test_a_parameter_group_is_known_whatever_its_priority_sender_and_destination(tmp_path: Path) -> None:
    rpm = "FFFFFF8016FFFFFF"  # by hand: 0x1680 * 0.125 = 720 rpm
    lines = [
        (0, "0CF00400", rpm),
        (1, "18F00400", rpm),  # another priority
        (2, "18EA2A17", "07EBFE"),  # PF 0xEA < 240: 0x2A is the destination
        (3, "18F00500", rpm),  # another group
    ]
    got = record([write(tmp_path / "a.log", lines)], truck())
    assert got.traces["engine_speed"].value.tolist() == [720.0, 720.0]
    assert got.traces["slope"].value.tolist() == [7.0]
    assert got.faults.unknown_identifiers == {("can0", 0x18F00500): 1}


def test_of_several_senders_of_a_group_the_defined_one_is_taken(tmp_path: Path) -> None:
    lines = [(0, "0CF00400", "FFFFFF8016FFFFFF")]
    lines += [(n, "0CF00401", "FFFFFF0000FFFFFF") for n in range(1, 4)]
    got = record([write(tmp_path / "a.log", lines)], truck())
    assert got.traces["engine_speed"].value.tolist() == [720.0]
    assert got.faults.rejected == {"other_sender": 3}


@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_progress_is_told_log_by_log_in_bytes(tmp_path: Path, pack: Callable[[bytes], bytes]) -> None:
    told: list[tuple[str, int, int]] = []
    paths = [tmp_path / f"{n}.log" for n in range(2)]
    for n, path in enumerate(paths):
        plain = write(path, [(100 * n + second, "0CF00400", "FFFFFF8016FFFFFF") for second in range(9)]).read_bytes()
        path.write_bytes(pack(plain))
    record(paths, truck(), progress=lambda *step: told.append(step))
    assert list(dict.fromkeys(name for name, _, _ in told)) == [path.name for path in paths]
    for path in paths:
        done = [done for name, done, total in told if name == path.name and total == path.stat().st_size]
        assert done[0] == 0
        assert done[-1] == path.stat().st_size
        assert done == sorted(done)
