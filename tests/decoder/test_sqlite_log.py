"""SQLite logs as python-can writes them. Oracles: python-can itself, and SQLite asked row by row."""

from __future__ import annotations

import gzip
import random
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.frames import Flag
from decoder.logs import ReadOptions, open_log, sqlite_log
from signal_defs.errors import LogError

Reader = Callable[..., Any]
TABLE = """CREATE TABLE messages(ts REAL, arbitration_id INTEGER, extended INTEGER, remote INTEGER, error INTEGER,
           dlc INTEGER, data BLOB)"""  # as python-can's writer makes it


def database(path: Path, rows: list[tuple[Any, ...]], table: str = TABLE, page: int = 4096) -> Path:
    path.unlink(missing_ok=True)
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA page_size = {page}")
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


def by_sqlite(monkeypatch: pytest.MonkeyPatch, read: Callable[[], Any]) -> Any:
    """What SQLite hands out row by row."""
    with monkeypatch.context() as patch:
        patch.setattr(sqlite_log, "_AS_WRITTEN", "never")
        return read()


@pytest.mark.parametrize("page", [512, 1024, 4096, 65_536])
def test_rows_cut_out_of_pages_are_those_of_sqlite(
    tmp_path: Path, read_file: Reader, monkeypatch: pytest.MonkeyPatch, page: int
) -> None:
    path = database(tmp_path / "log.db", rows(20_000), page=page)
    log, told = read_file(path), by_sqlite(monkeypatch, lambda: read_file(path))
    assert len(log.frames) == 20_000
    assert (log.frames, log.times, log.report.dropped) == (told.frames, told.times, {})


VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**63), 2**63 - 1),
    st.integers(0, 2000),
    st.floats(),
    st.sampled_from([1.7e9, 1.7e9 + 0.1, 0.0, -0.0]),
    st.text(max_size=5),
    st.binary(max_size=70),
    st.sampled_from([b"", b"\x01", bytes(64), bytes(5000)]),
)


@settings(max_examples=60, deadline=None)
@given(
    made=st.lists(
        st.one_of(
            st.tuples(
                st.floats(0, 2e9), *[st.integers(0, 2**29 - 1)] * 1, *[st.integers(0, 1)] * 3, st.just(8), VALUES
            ),
            st.tuples(*[VALUES] * 7),
        ),
        max_size=30,
    ),
    first=st.sampled_from([1, 100, 2**21 - 5, 2**56 - 3, -7]),
)
def test_whatever_stands_in_a_row_is_read_as_sqlite_reads_it(
    made: list[tuple[Any, ...]], first: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("row") / "log.db"
    database(path, [], page=512)
    connection = sqlite3.connect(path)
    connection.executemany(
        "INSERT INTO messages(rowid, ts, arbitration_id, extended, remote, error, dlc, data) VALUES (?,?,?,?,?,?,?,?)",
        [(first + number, *row) for number, row in enumerate(made)],
    )
    connection.commit()
    connection.close()
    assert frames_of(path) == by_sqlite(pytest.MonkeyPatch(), lambda: frames_of(path))


def frames_of(path: Path) -> tuple[list[tuple[Any, ...]], dict[str, int]]:
    with open_log(path, options=ReadOptions(format="python-can")) as log:
        frames = [
            (int(batch.time_ns[row]), int(batch.identifier[row]), int(batch.flags[row]), int(batch.length[row]),
             batch.payload[row, : batch.length[row]].tobytes())
            for batch in log.batches()
            for row in range(len(batch))
        ]  # fmt: skip
        return frames, log.report.dropped


def tree(path: Path, count: int) -> tuple[bytearray, int]:
    """The bytes of a log of that many frames in pages of 512 bytes, and the page where its tree begins."""
    database(path, [(1.7e9 + row, row, 0, 0, 0, 8, bytes(8)) for row in range(count)], page=512)
    connection = sqlite3.connect(path)
    root = connection.execute("SELECT rootpage FROM sqlite_master").fetchone()[0]
    connection.close()
    return bytearray(path.read_bytes()), root


def test_what_stands_beside_a_database_that_was_not_closed_is_told(tmp_path: Path, read_file: Reader) -> None:
    path = database(tmp_path / "log.db", rows(5))
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("INSERT INTO messages SELECT * FROM messages")
    connection.commit()
    log = read_file(path)
    connection.close()
    assert len(log.frames) == 5
    assert log.report.notes == ["The database was not closed: rows that are only in log.db-wal are not read."]


def test_a_damaged_page_costs_its_own_rows_only(tmp_path: Path, read_bytes: Reader) -> None:
    content, _ = tree(tmp_path / "log.db", 1000)
    content[512 * 20 : 512 * 21] = bytes(512)
    log = read_bytes(bytes(content), "log.db")
    assert 950 < len(log.frames) < 1000
    assert log.frames[-1][2] == 999
    assert [(one.what, one.where) for one in log.report.damage] == [("damaged_page", "page 21")]


@pytest.mark.parametrize("by_pages", [True, False])
def test_a_tree_of_more_rows_than_the_file_can_hold_ends(
    tmp_path: Path, read_file: Reader, monkeypatch: pytest.MonkeyPatch, by_pages: bool
) -> None:
    """Source of the layout: sqlite.org/fileformat2.html, section 1.6. Each page names the next one tens of times."""
    content, root = tree(tmp_path / "log.db", 5000)
    inner = [page for page in range(1, len(content) // 512) if content[512 * (page - 1)] == 5 and page != root]
    chain = [root, *inner[:5]]
    leaf = next(page for page in range(2, len(content) // 512) if content[512 * (page - 1)] == 13)
    for page, child in zip(chain, [*chain[1:], leaf], strict=True):
        at = 512 * (page - 1)
        count = int.from_bytes(content[at + 3 : at + 5], "big")
        cells = [int.from_bytes(content[at + place : at + place + 2], "big") for place in range(12, 12 + 2 * count, 2)]
        for place in [8, *cells]:
            content[at + place : at + place + 4] = child.to_bytes(4, "big")
    (tmp_path / "log.db").write_bytes(content)
    log = read_file(tmp_path / "log.db") if by_pages else by_sqlite(monkeypatch, lambda: read_file(tmp_path / "log.db"))
    assert 0 < len(log.frames) <= (20 if by_pages else len(content) + 20_000)
    assert set(log.report.dropped) == {"damaged_page" if by_pages else "unreadable_rest"}
