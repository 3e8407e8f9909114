"""MF4 bus logging. Expected values: asammdf through python-can's reader."""

from __future__ import annotations

import random
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import pytest

from decoder.frames import Flag
from signal_defs.errors import LogError

Reader = Callable[..., Any]
FlagsOf = Callable[[can.Message], Flag]
REAL = ["mf4-gnss/2F6913DB-00001089b.MF4", "mf4-raw/2F6913DB-00000001.MF4", "mf4-raw/94C49784-00000002.MF4"]


def assert_as_asammdf(log: Any, path: Path, flags_of: FlagsOf) -> None:
    """The frames are those that python-can reads through asammdf, whose times are float seconds: to 2 us."""
    frames: Counter[tuple[str, int, Flag, bytes]] = Counter()
    times = []
    with can.LogReader(path) as reader:
        messages = list(reader)
    for message in messages:
        frames[str(message.channel), message.arbitration_id, flags_of(message), bytes(message.data)] += 1
        times.append(message.timestamp)
    assert Counter(row[1:] for row in log.frames) == frames
    assert all(abs(ours / 1e9 - theirs) < 2e-6 for ours, theirs in zip(log.times, sorted(times), strict=True))


@pytest.mark.parametrize(("name", "count"), list(zip(REAL, [3587, 5588, 9600], strict=True)))
def test_real_logs_are_read_as_asammdf_reads_them(
    external_logs: Path, read_file: Reader, flags_of: FlagsOf, name: str, count: int
) -> None:
    log = read_file(external_logs / name)
    assert len(log.frames) == count  # source: SOURCES.md for the first, asammdf for the others
    assert_as_asammdf(log, external_logs / name, flags_of)
    assert log.times == sorted(log.times)
    assert not log.report.dropped


def test_a_file_of_measured_signals_is_refused(external_logs: Path, read_file: Reader) -> None:
    with pytest.raises(LogError, match="no bus frames"):
        read_file(external_logs / "asammdf" / "test_batch.mf4")


def test_an_older_version_is_refused(read_bytes: Reader) -> None:
    with pytest.raises(LogError, match=r"version 3\.30"):
        read_bytes(b"MDF     3.30    ".ljust(500, b"\0"))


@pytest.mark.parametrize("level", [0, 1, 2])
@pytest.mark.filterwarnings("ignore")  # of asammdf, which writes
def test_what_python_can_writes_is_read_back(tmp_path: Path, read_file: Reader, flags_of: FlagsOf, level: int) -> None:
    path = tmp_path / "written.mf4"
    rng = random.Random(level)
    writer = can.MF4Writer(path, compression_level=level)
    now = time.time()
    for row in range(300):
        extended, fd = rng.random() < 0.5, rng.random() < 0.3
        kind = rng.choice(["data", "data", "data", "remote", "error"])
        data = rng.randbytes(rng.choice([0, 1, 8, 12, 64]) if fd else rng.randrange(9)) if kind == "data" else b""
        writer(
            can.Message(
                timestamp=now + row / 100,
                arbitration_id=rng.randrange(0x1FFFFFFF if extended else 0x7FF),
                is_extended_id=extended,
                is_fd=fd and kind == "data",
                bitrate_switch=fd and kind == "data" and rng.random() < 0.5,
                is_remote_frame=kind == "remote",
                is_error_frame=kind == "error",
                is_rx=rng.random() < 0.5,
                channel=rng.randrange(3),
                data=data,
            )
        )
    writer.stop()
    log = read_file(path)
    assert len(log.frames) == 300
    assert_as_asammdf(log, path, flags_of)
    assert log.times == sorted(log.times)
    assert any("local time" in note for note in log.report.notes)


@pytest.mark.parametrize("name", REAL)
def test_wherever_a_real_log_is_cut_the_frames_before_are_kept(
    external_logs: Path, read_file: Reader, read_bytes: Reader, name: str
) -> None:
    whole = (external_logs / name).read_bytes()
    all_frames = read_file(external_logs / name).frames
    kept = []
    for twentieth in range(1, 20):
        log = read_bytes(whole[: len(whole) * twentieth // 20], "cut.mf4")
        assert set(log.frames) <= set(all_frames)
        kept.append(len(log.frames))
    assert kept == sorted(kept)
    assert kept[-1] >= 0.8 * len(all_frames)


def test_changed_bytes_never_stop_reading_a_real_log(external_logs: Path, read_changed: Callable[..., None]) -> None:
    read_changed((external_logs / REAL[0]).read_bytes(), "changed.mf4", copies=40, seed=1)
