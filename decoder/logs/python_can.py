"""Whatever else python-can reads: its SQLite logs, column-wise, and the formats its plug-ins add, frame by frame."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from decoder.frames import Flag, FrameBatch, ReadReport
from decoder.logs.frame_columns import NO_CHANNEL, Columns, is_wanted, make_batch
from decoder.logs.rows import MAX_TIME_NS
from decoder.logs.source import LogStream, ReadOptions, inner_name
from decoder.logs.sqlite_log import SQLITE_MAGIC, read_sqlite
from signal_defs.errors import LogError

FORMAT = "python-can"
_ROWS = 65_536
_OWN_SUFFIXES = {"", ".asc", ".blf", ".csv", ".gz", ".log", ".mf4", ".mdf", ".pcap", ".pcapng", ".trc", ".txt"}


def sniff(head: bytes, name: str) -> float:
    """1 for a SQLite file; a little where a plug-in of python-can claims the name's suffix."""
    if head.startswith(SQLITE_MAGIC):
        return 1.0
    suffix = Path(name).suffix
    if suffix in _OWN_SUFFIXES:
        return 0.0
    return 0.05 if entry_points(group="can.io.message_reader", name=suffix) else 0.0


def read(stream: LogStream | BinaryIO, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    """Frames of the log; see `decoder.logs`. Raises LogError where python-can cannot begin to read it."""
    with _as_file(stream, options) as path:
        with path.open("rb") as file:
            is_sqlite = file.read(len(SQLITE_MAGIC)) == SQLITE_MAGIC
        if is_sqlite:
            report.format = "sqlite"
            yield from read_sqlite(path, report, options)
        else:
            yield from _read_messages(path, report, options)


@contextlib.contextmanager
def _as_file(stream: LogStream | BinaryIO, options: ReadOptions) -> Iterator[Path]:
    """The log as a file with a name; a copy in a temporary folder if it is compressed or comes from elsewhere."""
    if isinstance(stream, LogStream) and stream.path is not None:
        yield stream.path
        return
    name = inner_name(stream.name) if isinstance(stream, LogStream) else "log"
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"log{Path(name).suffix}"
        size = 0
        with path.open("wb") as copy:
            while part := stream.read(1 << 20):
                size += len(part)
                if size > options.max_spool_bytes:
                    raise LogError(
                        f"The unpacked log is larger than {options.max_spool_bytes} bytes.",
                        mend="Unpack it and give the plain file.",
                    )
                copy.write(part)
        yield path


def _read_messages(path: Path, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    """One message after the other; a reader that gives up ends the log there."""
    import can

    try:
        reader = can.LogReader(path)
    except Exception as error:  # noqa: BLE001  # readers raise anything
        raise LogError(f"The log cannot be read: {error}", mend="Convert it to another log format.") from None
    names: dict[str, int] = {}
    most = os.path.getsize(path)  # noqa: PTH202  # a frame takes at least a byte: a reader that gives more has run wild
    rows: list[Any] = []
    messages = iter(reader)
    while report.frames + len(rows) <= most:
        try:
            message = next(messages, None)
        except Exception as error:  # noqa: BLE001  # as above
            report.drop("unreadable_rest", f"frame {report.frames + len(rows) + 1}", -1)
            report.note(f"python-can stopped reading: {type(error).__name__}.")
            break
        if message is None:
            break
        rows.append(message)
        if len(rows) == _ROWS:
            yield from _batch(rows, names, report, options)
            rows = []
    yield from _batch(rows, names, report, options)
    with contextlib.suppress(Exception):
        reader.stop()


def _batch(
    messages: list[Any], names: dict[str, int], report: ReadReport, options: ReadOptions
) -> Iterator[FrameBatch]:
    true = [message for message in messages if 0 <= message.timestamp <= MAX_TIME_NS / 1e9]
    if len(true) < len(messages):
        report.drop("impossible_time", f"frame {report.frames + 1} and later", len(messages) - len(true))
    if not true:
        return
    payloads = [bytes(message.data[:64]) for message in true]
    width = 8 if all(len(payload) <= 8 for payload in payloads) else 64
    columns = Columns(
        np.array([round(message.timestamp * 1e9) for message in true], np.int64),
        np.array([_channel(message.channel, names) for message in true], np.uint16),
        np.array([message.arbitration_id & 0x1FFF_FFFF for message in true], np.uint32),
        np.array([_flags(message) for message in true], np.uint16),
        np.array([len(payload) for payload in payloads], np.uint8),
        np.frombuffer(b"".join(payload.ljust(width, b"\0") for payload in payloads), np.uint8).reshape(-1, width),
    )
    report.frames += len(columns)
    if options.wanted is not None:
        columns = columns.select(is_wanted(columns.identifier, columns.flags, options.wanted))
    if len(columns):
        yield make_batch(columns, {number: name for name, number in names.items()})


def _channel(channel: object, names: dict[str, int]) -> int:
    """The number of this channel's name; all further ones share a number if there are absurdly many."""
    if channel is None:
        return NO_CHANNEL
    return names.setdefault(str(channel), min(len(names), NO_CHANNEL - 1))


def _flags(message: Any) -> int:
    return int(
        Flag.EXTENDED * message.is_extended_id
        | Flag.FD * message.is_fd
        | Flag.REMOTE * message.is_remote_frame
        | Flag.ERROR * message.is_error_frame
        | Flag.TRANSMIT * (not message.is_rx)
        | Flag.BIT_RATE_SWITCH * message.bitrate_switch
        | Flag.ERROR_STATE * message.error_state_indicator
    )
