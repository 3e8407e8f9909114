"""SQLite logs as python-can writes them: a table messages(ts, arbitration_id, extended, remote, error, dlc, data)."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from decoder.frames import Flag, FrameBatch, ReadReport
from decoder.logs.frame_columns import NO_CHANNEL, Columns, clear_past, gather, is_wanted, make_batch
from decoder.logs.rows import ABSOLUTE_FROM_NS, MAX_TIME_NS
from decoder.logs.source import ReadOptions
from signal_defs.errors import LogError

SQLITE_MAGIC = b"SQLite format 3\0"
_ROWS = 16_384
_KINDS = (int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR))
_QUERY = """
    SELECT coalesce(CAST(ts AS REAL), 1e30), coalesce(CAST(arbitration_id AS INTEGER), -1),
           (coalesce(extended, 0) <> 0) * ? + (coalesce(remote, 0) <> 0) * ? + (coalesce(error, 0) <> 0) * ?,
           coalesce(substr(CAST(data AS BLOB), 1, 65), x'')
    FROM messages
"""


def read_sqlite(path: Path, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    """Frames in the order in which they were written. Raises LogError where there is no table of messages."""
    with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)) as database:
        try:
            database.execute("PRAGMA trusted_schema = OFF")
            found = database.execute(
                "SELECT sql FROM sqlite_master WHERE type = 'table' AND name = 'messages'"
            ).fetchall()
            if not found or not str(found[0][0]).upper().startswith("CREATE TABLE"):
                raise LogError(
                    "This database has no table of messages.", mend="Give a log that python-can has written."
                )
            cursor = database.execute(_QUERY, _KINDS)
        except (sqlite3.Error, UnicodeDecodeError) as error:
            raise LogError(
                f"The database cannot be read: {error}.", mend="Copy it again from where it was recorded."
            ) from None
        while True:
            try:
                rows = cursor.fetchmany(_ROWS)
            except (sqlite3.Error, UnicodeDecodeError):
                report.drop("unreadable_rest", f"row {report.frames + 1}", -1)
                return
            if not rows:
                return
            yield from _batch(rows, report, options)


def _batch(rows: list[tuple[float, int, int, bytes]], report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    seconds, identifiers, kinds, payloads = zip(*rows, strict=True)
    time_s = np.array(seconds, np.float64)
    number = np.array(identifiers, np.int64)
    size = np.fromiter(map(len, payloads), np.int64, len(payloads))
    true = (time_s >= 0) & (time_s <= MAX_TIME_NS / 1e9) & (number >= 0) & (size <= 64)
    if not true.all():
        report.drop("damaged_record", f"row {report.frames + 1} and later", int(np.count_nonzero(~true)))
    start = np.cumsum(size) - size
    joined = np.frombuffer(b"".join(payloads) + bytes(64), np.uint8)
    flags = np.array(kinds, np.uint16)
    flags |= (size > 8) * np.uint16(Flag.FD)
    length = np.where(flags & Flag.REMOTE, 0, size).astype(np.uint8)[true]
    flags = flags[true]
    identifier = (number[true] & 0x1FFF_FFFF).astype(np.uint32)
    report.frames += len(identifier)
    keep = is_wanted(identifier, flags, options.wanted)
    if not keep.any():
        return
    length = length[keep]
    width = 8 if int(length.max()) <= 8 else 64
    time_ns = np.rint(time_s[true][keep] * 1e9).astype(np.int64)
    report.absolute_time |= bool(time_ns[0] >= ABSOLUTE_FROM_NS)
    yield make_batch(
        Columns(
            time_ns,
            np.full(len(length), NO_CHANNEL, np.uint16),
            identifier[keep],
            flags[keep],
            length,
            clear_past(gather(joined, start[true][keep], width), length),
        )
    )
