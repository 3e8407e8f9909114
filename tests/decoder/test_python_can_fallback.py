"""What python-can reads beside the formats with readers of their own. Oracle: python-can itself."""

from __future__ import annotations

import gzip
import random
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import can
import pytest

from decoder.frames import Flag, ReadReport
from decoder.logs import ReadOptions, python_can
from signal_defs.errors import LogError

Reader = Callable[..., Any]
TABLE = """CREATE TABLE messages(ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, error INTEGER,
           dlc INTEGER, data BLOB)"""  # as python-can's writer makes it


def database(path: Path, rows: list[tuple[Any, ...]], table: str = TABLE) -> Path:
    path.unlink(missing_ok=True)
    connection = sqlite3.connect(path)
    connection.execute(table)
    connection.executemany("INSERT INTO messages VALUES (?, ?, ?, ?, ?, ?, ?)", rows)
    connection.commit()
    connection.close()
    return path


def rows(count: int) -> list[tuple[Any, ...]]:
    rng = random.Random(2)
    made = []
    for row in range(count):
        extended, kind = rng.random() < 0.5, rng.choice(["data", "data", "remote", "error"])
        data = rng.randbytes(rng.choice([0, 3, 8, 64])) if kind == "data" else b""
        identifier = rng.randrange(0x1FFFFFFF if extended else 0x7FF)
        made.append((1.7e9 + row / 1000, identifier, extended, kind == "remote", kind == "error", len(data), data))
    return made


def test_a_database_is_read_as_python_can_reads_it(tmp_path: Path, read_file: Reader) -> None:
    path = database(tmp_path / "log.db", rows(500))
    log = read_file(path)
    assert log.format == "sqlite"
    with can.SqliteReader(path) as reader:
        messages = list(reader)
    assert [row[2] for row in log.frames] == [message.arbitration_id for message in messages]
    assert log.data == [bytes(message.data) for message in messages]
    assert all(abs(at / 1e9 - message.timestamp) < 1e-6 for at, message in zip(log.times, messages, strict=True))
    for flags, message in zip(log.flags, messages, strict=True):
        assert bool(flags & Flag.EXTENDED) == message.is_extended_id
        assert bool(flags & Flag.REMOTE) == message.is_remote_frame
        assert bool(flags & Flag.ERROR) == message.is_error_frame
    assert log.report.absolute_time


def test_a_compressed_database_under_another_name_is_read(tmp_path: Path, read_bytes: Reader) -> None:
    path = database(tmp_path / "log.db", rows(50))
    assert len(read_bytes(gzip.compress(path.read_bytes()), "log.asc.gz").frames) == 50


def test_values_of_a_wrong_kind_cost_their_row(tmp_path: Path, read_file: Reader) -> None:
    good = (1.7e9, 5, 0, 0, 0, 1, b"a")
    wrong = [("soon", "x", None, None, None, 0, "text"), (None, None, 0, 0, 0, 0, None), (1e300, 1, 0, 0, 0, 0, b"")]
    log = read_file(
        database(
            tmp_path / "wrong.db", [good, *wrong, (1.7e9, -5, 0, 0, 0, 0, b""), (1, 2, 0, 0, 0, 0, bytes(99)), good]
        )
    )
    assert [row[2:] for row in log.frames[:1] + log.frames[-1:]] == [(5, Flag(0), b"a")] * 2
    assert len(log.frames) + sum(log.report.dropped.values()) == 7


def test_a_view_that_never_ends_is_refused(tmp_path: Path, read_file: Reader) -> None:
    path = tmp_path / "view.db"
    connection = sqlite3.connect(path)
    connection.execute(
        "CREATE VIEW messages AS WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n) "
        "SELECT x AS ts, 1 AS arbitration_id, 0 AS extended, 0 AS remote, 0 AS error, 0 AS dlc, x'' AS data FROM n"
    )
    connection.commit()
    connection.close()
    with pytest.raises(LogError, match="no table of messages"):
        read_file(path)


def test_a_database_of_something_else_is_refused(tmp_path: Path, read_file: Reader) -> None:
    with pytest.raises(LogError, match="cannot be read"):
        read_file(database(tmp_path / "else.db", [], "CREATE TABLE messages(a, b, c, d, e, f, g)"))


def test_a_damaged_database_ends_quickly(tmp_path: Path, read_bytes: Reader) -> None:
    content = database(tmp_path / "log.db", rows(3000)).read_bytes()
    rng = random.Random(9)
    began = time.perf_counter()
    for turn in range(60):
        damaged = bytearray(content[: len(content) * rng.randrange(2, 21) // 20] if turn % 2 else content)
        for _ in range(5):
            damaged[rng.randrange(16, len(damaged))] = rng.randrange(256)
        try:
            log = read_bytes(bytes(damaged), f"damaged{turn}.db")
        except LogError:
            continue
        assert len(log.frames) <= 3000 + 1000
    assert time.perf_counter() - began < 20


class Messages:
    """A reader as a plug-in of python-can would bring it."""

    def __init__(self, messages: list[can.Message], error: Exception | None) -> None:
        self._messages, self._error = messages, error

    def __iter__(self) -> Iterator[can.Message]:
        yield from self._messages
        if self._error is not None:
            raise self._error

    def stop(self) -> None:
        self._messages = []


def test_a_plug_in_that_fails_half_way_keeps_what_it_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    messages = [
        can.Message(timestamp=1.7e9 + row, arbitration_id=row, channel=f"bus{row % 2}", data=[row], is_fd=row == 3)
        for row in range(10)
    ]
    messages[4].timestamp = float("nan")
    monkeypatch.setattr(can, "LogReader", lambda _: Messages(messages, RuntimeError("broken")))
    path = tmp_path / "log.own"
    path.write_bytes(bytes(1000))
    report = ReadReport("python-can")
    with path.open("rb") as stream:
        batches = list(python_can.read(stream, report, ReadOptions()))
    identifiers = [int(number) for batch in batches for number in batch.identifier]
    assert identifiers == [0, 1, 2, 3, 5, 6, 7, 8, 9]
    assert batches[0].channels == ("bus0", "bus1")
    assert int(batches[0].flags[3]) == Flag.EXTENDED | Flag.FD
    assert report.dropped == {"impossible_time": 1, "unreadable_rest": 1}


def test_a_file_that_python_can_refuses_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.own"
    path.write_bytes(bytes(1000))
    with path.open("rb") as stream, pytest.raises(LogError, match="cannot be read"):
        list(python_can.read(stream, ReadReport("python-can"), ReadOptions()))
