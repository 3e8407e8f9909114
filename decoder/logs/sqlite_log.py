"""SQLite logs as python-can writes them: a table messages(ts, arbitration_id, extended, remote, error, dlc, data)."""

from __future__ import annotations

import contextlib
import math
import sqlite3
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np

from decoder.frames import Flag, FrameBatch, ReadReport
from decoder.logs.frame_columns import NO_CHANNEL, Columns, clear_past, gather, is_wanted, make_batch
from decoder.logs.rows import MAX_TIME_NS
from decoder.logs.source import ReadOptions
from decoder.logs.sqlite_pages import MAX_BYTES, Cells, Pages
from signal_defs.errors import LogError

SQLITE_MAGIC = b"SQLite format 3\0"
_ROWS = 16_384
_FAULTS = (sqlite3.Error, UnicodeDecodeError, MemoryError)  # SQLite is "out of memory" at some damaged schemas
_KINDS = (int(Flag.EXTENDED), int(Flag.REMOTE), int(Flag.ERROR))
_AS_WRITTEN = (  # without its spaces
    "createtablemessages(tsreal,arbitration_idinteger,extendedinteger,remoteinteger,errorinteger,dlcinteger,datablob)"
)
_QUERY = """
    SELECT coalesce(CAST(ts AS REAL), 1e30), coalesce(CAST(arbitration_id AS INTEGER), -1),
           (coalesce(extended, 0) <> 0) * ? + (coalesce(remote, 0) <> 0) * ? + (coalesce(error, 0) <> 0) * ?,
           coalesce(substr(CAST(data AS BLOB), 1, 65), x'')
    FROM messages
"""
Row = tuple[float, int, int, bytes]


def read_sqlite(path: Path, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    """Frames in the order in which they were written. Raises LogError where there is no table of messages."""
    with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)) as database:
        try:
            database.execute("PRAGMA trusted_schema = OFF")
            found = database.execute(
                "SELECT sql, rootpage FROM sqlite_master WHERE type = 'table' AND name = 'messages'"
            ).fetchall()
            if not found or not str(found[0][0]).upper().startswith("CREATE TABLE"):
                raise LogError(
                    "This database has no table of messages.", mend="Give a log that python-can has written."
                )
            cursor = database.execute(_QUERY, _KINDS)
        except _FAULTS as error:
            raise LogError(
                f"The database cannot be read: {str(error) or 'its schema is damaged'}.",
                mend="Copy it again from where it was recorded.",
            ) from None
        sql, root = found[0]
        for kind in ("-journal", "-wal"):
            beside = path.with_name(path.name + kind)
            if beside.is_file() and beside.stat().st_size:
                report.note(f"The database was not closed: rows that are only in {beside.name} are not read.")
        with path.open("rb") as file:
            size = path.stat().st_size
            pages = Pages(file, size, report)
            depth = pages.depth(root) if "".join(sql.split()).lower() == _AS_WRITTEN else -1
            for cells in pages.cells(root, depth) if depth >= 0 else _from_sqlite(cursor, size, report):
                yield from _batch(_whole(cells, database), report, options)


def _from_sqlite(cursor: sqlite3.Cursor, most: int, report: ReadReport) -> Iterator[Cells]:
    """Rows as SQLite hands them out, `most` of them: a file whose tree runs in circles has rows without end."""
    count = 0
    while count <= most:
        try:
            rows = cursor.fetchmany(_ROWS)
        except _FAULTS:
            break
        if not rows:
            return
        count += len(rows)
        yield _cells(rows)
    report.drop("unreadable_rest", f"row {count + 1}", -1)


def _cells(rows: list[Row]) -> Cells:
    seconds, identifiers, kinds, payloads = zip(*rows, strict=True)
    size = np.fromiter(map(len, payloads), np.int64, len(payloads))
    return Cells(
        np.array(seconds, np.float64),
        np.array(identifiers, np.int64),
        np.array(kinds, np.uint16),
        np.cumsum(size) - size,
        size,
        np.frombuffer(b"".join(payloads) + bytes(MAX_BYTES), np.uint8),
        np.zeros(len(rows), np.bool_),
        np.zeros(len(rows), np.int64),
    )


def _whole(cells: Cells, database: sqlite3.Connection) -> Cells:
    """The rows with the odd ones as SQLite reads them."""
    odd = np.flatnonzero(cells.odd)
    if not len(odd):
        return cells
    told = _cells([_row(database, cells, row) for row in odd.tolist()])
    for name in ("time_s", "number", "flags", "size"):
        getattr(cells, name)[odd] = getattr(told, name)
    cells.start[odd] = told.start + len(cells.data)
    cells.data = np.concatenate([cells.data, told.data])
    return cells


def _row(database: sqlite3.Connection, cells: Cells, row: int) -> Row:
    """One row as SQLite reads it; one without a time if it cannot, or if its number is out of order and so damaged."""
    near = [cells.rowid(one) for one in range(max(row - 1, 0), min(row + 2, len(cells.cell)))]
    found: Row | None = None
    if all(one < other for one, other in pairwise(near)):
        with contextlib.suppress(*_FAULTS):
            found = database.execute(f"{_QUERY} WHERE rowid = ?", (*_KINDS, cells.rowid(row))).fetchone()
    return found or (math.nan, -1, 0, b"")


def _batch(cells: Cells, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    true = (cells.time_s >= 0) & (cells.time_s <= MAX_TIME_NS / 1e9) & (cells.number >= 0) & (cells.size <= MAX_BYTES)
    if not true.all():
        report.drop("damaged_record", f"row {report.frames + 1} and later", int(np.count_nonzero(~true)))
    identifier = (cells.number & 0x1FFF_FFFF).astype(np.uint32)
    flags = cells.flags | (cells.size > 8) * np.uint16(Flag.FD)
    report.frames += int(np.count_nonzero(true))
    keep = np.flatnonzero(true & is_wanted(identifier, flags, options.wanted))
    if not len(keep):
        return
    flags = flags[keep]
    length = np.where(flags & Flag.REMOTE, 0, cells.size[keep]).astype(np.uint8)
    width = 8 if int(length.max()) <= 8 else MAX_BYTES
    time_ns = np.rint(cells.time_s[keep] * 1e9).astype(np.int64)
    yield make_batch(
        Columns(
            time_ns,
            np.full(len(keep), NO_CHANNEL, np.uint16),
            identifier[keep],
            flags,
            length,
            clear_past(gather(cells.data, cells.start[keep], width), length),
        )
    )
