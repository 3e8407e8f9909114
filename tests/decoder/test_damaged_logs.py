"""Real logs that were cut short or changed: looking at them and decoding them ends, and says what was lost."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from decoder.inspect import inspect_logs
from decoder.record import record
from decoder.signals import DecodeReport, decode_signals
from signal_defs.errors import IdlewhyError
from signal_defs.layout import MessageLayout, SignalLayout
from signal_defs.platform import Battery, Binding, Bus, Platform
from signal_defs.roles import ROLES

pytestmark = pytest.mark.fault

SUFFIXES = {".log", ".asc", ".blf", ".mf4", ".pcap", ".pcapng", ".trc", ".csv", ".db", ".gz"}
MAX_BYTES = 400_000


def real_logs(folder: Path) -> list[Path]:
    """The smaller logs, at most two of a kind in each folder."""
    chosen: dict[tuple[Path, str], list[Path]] = {}
    for path in sorted(folder.rglob("*")):
        if path.suffix.lower() in SUFFIXES and path.is_file() and 200 < path.stat().st_size <= MAX_BYTES:
            chosen.setdefault((path.parent, path.suffix.lower()), []).append(path)
    return [path for paths in chosen.values() for path in paths[:2]]


def platform_of(identifiers: list[tuple[int, bool]]) -> Platform:
    """A bus on which each of these identifiers carries a voltage in its first byte."""
    messages = tuple(
        MessageLayout(f"M{identifier:X}", identifier, 8, (SignalLayout("Byte", 0, 8, scale=0.1),), extended=extended)
        for identifier, extended in identifiers
    )
    binding = Binding(ROLES["battery_voltage"], "bus", messages[0].name, "Byte")
    bus = Bus("bus", "can", (), messages)
    return Platform("by-hand", "", (bus,), {"battery_voltage": binding}, Battery("agm", 70.0))


def damaged(content: bytes, rng: random.Random) -> list[bytes]:
    """Cut in two places, and changed in one byte, in eight, and over a stretch."""
    copies = [content[: len(content) * part // 10] for part in (3, 8)]
    for changes in (1, 8):
        copy = bytearray(content)
        for _ in range(changes):
            copy[rng.randrange(len(copy))] ^= 1 << rng.randrange(8)
        copies.append(bytes(copy))
    at = rng.randrange(len(content))
    copies.append(content[:at] + rng.randbytes(64) + content[at + 64 :])
    return copies


def test_damaged_copies_of_real_logs_are_inspected_and_decoded_or_refused_in_words(
    external_logs: Path, tmp_path: Path
) -> None:
    rng = random.Random(5)
    read = 0
    refused: list[IdlewhyError] = []
    for log in real_logs(external_logs):
        try:
            whole = inspect_logs([log]).logs[0]
        except IdlewhyError:
            continue  # measured signals, a capture of something else
        can = [one for one in whole.identifiers if not one.lin]
        if not can:
            continue
        top = sorted(can, key=lambda one: -one.frames)[:20]
        platform = platform_of(list(dict.fromkeys((one.identifier, one.extended) for one in top)))
        for content in damaged(log.read_bytes(), rng):
            copy = tmp_path / f"copy{log.suffix}"
            copy.write_bytes(content)
            try:
                seen = inspect_logs([copy]).logs[0]
                assert seen.frames or seen.dropped or seen.notes
                report = DecodeReport()
                samples = sum(len(batch.value) for batch in decode_signals([copy], platform, report=report))
                assert samples == report.samples > 0
                assert len(report.notes) >= len(seen.dropped), "what was lost is told"
                assert record([copy], platform).frames == seen.frames
                read += 1
            except IdlewhyError as error:
                refused.append(error)
    assert all(error.what and error.mend for error in refused)
    assert read > 3 * len(refused)
    assert read > 20


@pytest.mark.parametrize("size", [0, 1, 40])
def test_what_is_left_of_a_log_after_its_first_bytes_is_refused_in_words(tmp_path: Path, size: int) -> None:
    for name, head in (("a.blf", b"LOGG"), ("a.mf4", b"MDF     4.10    "), ("a.pcap", b"\xd4\xc3\xb2\xa1")):
        path = tmp_path / name
        path.write_bytes((head + bytes(64))[:size])
        with pytest.raises(IdlewhyError) as raised:
            record([path], platform_of([(0x100, False)]))
        assert raised.value.what
