"""What the tests of log readers share: reading a log from bytes, and frames as plain tuples."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import can
import pytest

from decoder.frames import Flag, FrameBatch, ReadReport
from decoder.logs import ReadOptions, compiled, csv_columns, open_log
from signal_defs.errors import LogError

COMPILED = {"candump", "asc", "trc", "csv"}


@dataclass(frozen=True)
class Read:
    """Frames as (time_ns, channel, identifier, flags, data), their checksums, and what the reader said."""

    frames: list[tuple[int, str, int, Flag, bytes]]
    checksums: list[int]
    report: ReadReport
    format: str

    @property
    def data(self) -> list[bytes]:
        return [frame[4] for frame in self.frames]

    @property
    def flags(self) -> list[Flag]:
        return [frame[3] for frame in self.frames]

    @property
    def identifiers(self) -> list[int]:
        return [frame[2] for frame in self.frames]

    @property
    def channels(self) -> list[str]:
        return [frame[1] for frame in self.frames]

    @property
    def times(self) -> list[int]:
        return [frame[0] for frame in self.frames]

    @property
    def places(self) -> list[tuple[str, str]]:
        """Where and what the damage is."""
        return [(damage.where, damage.what) for damage in self.report.damage]


def _frames(batch: FrameBatch) -> list[tuple[int, str, int, Flag, bytes]]:
    """The rows of a batch; checks on the way what `FrameBatch` promises."""
    assert batch.payload.shape[1] in {8, 64}
    assert batch.payload.flags.c_contiguous
    rows = []
    for at in range(len(batch)):
        length = int(batch.length[at])
        assert not batch.payload[at, length:].any(), "zero past the length"
        rows.append(
            (
                int(batch.time_ns[at]),
                batch.channels[batch.channel[at]],
                int(batch.identifier[at]),
                Flag(int(batch.flags[at])),
                batch.payload[at, :length].tobytes(),
            )
        )
    return rows


def _read(path: Path | str, options: ReadOptions | None) -> Read:
    """Read a log as a short one is; where its reader has a faster way for like lines, with and without it."""
    with patch.object(compiled, "loops", return_value=None):
        read = _read_once(path, options)
    if read.format in COMPILED and path != "-":  # which can be read only once
        loops = compiled.load()
        assert loops is not None, "the tests need numba, of the extra named fast"
        with patch.object(compiled, "loops", return_value=loops):
            assert _read_once(path, options) == read
    if read.format == "csv":
        with patch.object(csv_columns, "read_alike", lambda _lines, index, *_: ([], index)):
            assert _read_once(path, options) == read
    return read


def _read_once(path: Path | str, options: ReadOptions | None) -> Read:
    log = open_log(path, options=options)
    frames: list[tuple[int, str, int, Flag, bytes]] = []
    checksums: list[int] = []
    for batch in log.batches():
        frames += _frames(batch)
        checksums += [-1] * len(batch) if batch.checksum is None else batch.checksum.tolist()
    if options is None or options.wanted is None:
        assert log.report.frames == len(frames)
    return Read(frames, checksums, log.report, log.format)


@pytest.fixture(scope="module", autouse=True)
def frames_without_loops() -> Iterator[None]:
    """Frames go the way of NumPy, whatever test before has loaded the loops; `test_compiled_frames` compares both."""
    with patch.object(compiled, "frame_loops", return_value=None):
        yield


@pytest.fixture(scope="session")
def read_file() -> Callable[..., Read]:
    """Read a file whole: read_file(path, options=None)."""

    def read(path: Path | str, options: ReadOptions | None = None) -> Read:
        return _read(path, options)

    return read


@pytest.fixture(scope="session")
def read_bytes(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Read]:
    """Write a log and read it: read_bytes(content, name="x.log", options=None)."""
    folder = tmp_path_factory.mktemp("logs")

    def read(content: bytes, name: str = "x.log", options: ReadOptions | None = None) -> Read:
        path = folder / name
        path.write_bytes(content)
        return _read(path, options)

    return read


@pytest.fixture(scope="session")
def flags_of() -> Callable[[can.Message], Flag]:
    """What a frame of python-can is, in our flags."""

    def flags(message: can.Message) -> Flag:
        return Flag(
            Flag.EXTENDED * message.is_extended_id
            | Flag.FD * message.is_fd
            | Flag.REMOTE * message.is_remote_frame
            | Flag.ERROR * message.is_error_frame
            | Flag.TRANSMIT * (not message.is_rx)
            | Flag.BIT_RATE_SWITCH * message.bitrate_switch
            | Flag.ERROR_STATE * message.error_state_indicator
        )

    return flags


@pytest.fixture
def read_changed(read_bytes: Callable[..., Read]) -> Callable[..., None]:
    """Read copies of a log with one to three bytes changed: each is read or refused in words, all of them soon."""

    def read(content: bytes, name: str, *, copies: int, seed: int | str) -> None:
        rng = random.Random(seed)
        began = time.process_time()
        for _ in range(copies):
            damaged = bytearray(content)
            for _ in range(rng.randrange(1, 4)):
                damaged[rng.randrange(len(damaged))] = rng.randrange(256)
            try:
                read_bytes(bytes(damaged), name)
            except LogError as error:
                assert str(error)  # noqa: PT017  # any other error fails the test
        assert time.process_time() - began < 30

    return read
