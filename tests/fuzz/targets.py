"""What is fuzzed, and what must hold whatever the bytes are: no exception but ours, in time, counts that add up."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import numpy as np

from decoder.frames import FrameBatch
from decoder.logs import MAX_BATCH, ReadOptions, compiled, open_log
from decoder.logs.rows import MAX_IDENTIFIER, MAX_TIME_NS
from signal_defs.errors import IdlewhyError

READERS = {
    "candump": ("candump", ".log"),
    "asc": ("asc", ".asc"),
    "blf": ("blf", ".blf"),
    "mf4": ("mf4", ".mf4"),
    "pcap": ("pcap", ".pcap"),
    "pcapng": ("pcap", ".pcapng"),
    "trc": ("trc", ".trc"),
    "csv": ("csv", ".csv"),
    "sqlite": ("python-can", ".db"),
    "compressed": (None, ".gz"),
    "opening": (None, ".log"),
}
DATABASES = ("dbc", "ldf", "kcd", "sym", "arxml")
NAMES = (*READERS, *DATABASES)

MAX_INPUT = 16_384  # bytes of one input
MAX_CPU_S = 10.0  # of one input; libFuzzer's own alarm watches for what never returns
MEMORY_MIB = 2048  # of the process, imports and instrumentation among them
_LINE_BY_LINE = {"candump", "asc", "trc", "csv"}  # how far damage reaches does not depend on what is read at a time
_SMALL_BUFFER = 4096  # a second reading in other pieces must give the same frames
_SCRATCH = Path("/dev/shm" if Path("/dev/shm").is_dir() else "/tmp")


@dataclass(frozen=True)
class Outcome:
    """What one reading of a log gave: its frames as bytes, and the counts of the report."""

    frames: int
    content: bytes
    dropped: dict[str, int]
    error: str = ""


def target(name: str) -> Callable[[bytes], None]:
    """The function that is given the bytes; it raises if something does not hold."""
    if name in DATABASES:
        return lambda data: load_database(data, name)
    log_format, suffix = READERS[name]
    path = _SCRATCH / f"fuzz-{os.getpid()}{suffix}"
    return lambda data: read_log(data, path, log_format)


def read_log(data: bytes, path: Path, log_format: str | None) -> None:
    """Read the bytes as a log, again with buffers of another size, and a text with the compiled loops."""
    path.write_bytes(data)
    begin = time.process_time()
    with patch.object(compiled, "loops", return_value=None):
        whole = _read(path, ReadOptions(format=log_format))
    spent = time.process_time() - begin
    assert spent < MAX_CPU_S, f"{spent:.1f} s for {len(data)} bytes"
    pieces = _read(path, ReadOptions(format=log_format, buffer_bytes=_SMALL_BUFFER))
    damaged = whole.error or whole.dropped or pieces.error or pieces.dropped
    if log_format in _LINE_BY_LINE or not damaged:
        assert whole == pieces, "other pieces give other frames"
    if log_format in _LINE_BY_LINE and (loops := compiled.load()) is not None:
        with patch.object(compiled, "loops", return_value=loops):
            assert whole == _read(path, ReadOptions(format=log_format)), "compiled loops give other frames"


def _read(path: Path, options: ReadOptions) -> Outcome:
    frames, content = 0, []
    try:
        with open_log(path, options=options) as log:
            for batch in log.batches():
                check_batch(batch)
                frames += len(batch)
                content.append(_bytes_of(batch))
    except IdlewhyError as error:
        return Outcome(frames, b"".join(content), {}, str(error) or "no words")
    report = log.report
    assert report.frames == frames, f"{report.frames} frames reported, {frames} handed out"
    assert all(count > 0 for count in (*report.dropped.values(), *report.skipped.values()))
    assert frames or report.dropped or report.skipped or report.notes, "passed for an empty success"
    return Outcome(frames, b"".join(content), report.dropped)


def check_batch(batch: FrameBatch) -> None:
    """What `FrameBatch` promises."""
    count = len(batch)
    assert 0 < count <= MAX_BATCH
    assert batch.payload.shape in {(count, 8), (count, 64)}
    assert batch.payload.flags.c_contiguous
    columns = (batch.time_ns, batch.channel, batch.identifier, batch.flags, batch.length)
    assert [column.dtype for column in columns] == [np.int64, np.uint16, np.uint32, np.uint16, np.uint8]
    assert all(len(column) == count for column in columns)
    assert int(batch.time_ns.min()) >= 0
    assert int(batch.time_ns.max()) <= MAX_TIME_NS
    assert int(batch.identifier.max()) <= MAX_IDENTIFIER
    assert int(batch.length.max()) <= batch.payload.shape[1]
    assert int(batch.channel.max()) < len(batch.channels)
    past = np.arange(batch.payload.shape[1]) >= batch.length[:, None]
    assert not batch.payload[past].any(), "not zero past the length"


def _bytes_of(batch: FrameBatch) -> bytes:
    """Everything of a batch, whatever the width of its payload and the order in which its channels are named."""
    payload = np.zeros((len(batch), 64), np.uint8)
    payload[:, : batch.payload.shape[1]] = batch.payload
    names = np.array([name.encode() for name in batch.channels], "S64")[batch.channel]
    checksum = np.full(len(batch), -1, np.int16) if batch.checksum is None else batch.checksum
    columns = (batch.time_ns, names, batch.identifier, batch.flags, batch.length, checksum, payload)
    rows = [np.ascontiguousarray(column).view(np.uint8).reshape(len(batch), -1) for column in columns]
    return np.concatenate(rows, axis=1).tobytes()


def load_database(data: bytes, kind: str) -> None:
    """Read the bytes as a database."""
    from signal_defs.databases import read_database_bytes

    begin = time.process_time()
    try:
        messages = read_database_bytes(data, f"fuzz.{kind}", "lin" if kind == "ldf" else "can")
    except IdlewhyError:
        messages = ()
    for message in messages:
        assert 0 <= message.identifier <= MAX_IDENTIFIER
        assert message.length >= 0
        for signal in message.signals:
            assert signal.length > 0, f"{signal.name} has no bits"
    spent = time.process_time() - begin
    assert spent < MAX_CPU_S, f"{spent:.1f} s for {len(data)} bytes"
