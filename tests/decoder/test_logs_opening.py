"""Opening logs: by content, compressed or not, within bounds; and what is refused."""

from __future__ import annotations

import gzip
import io
import os
import sys
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import zstandard

from decoder.frames import ReadReport
from decoder.logs import MAX_BATCH, ReadOptions, open_log
from decoder.logs.source import open_stream
from signal_defs.errors import LogError, UsageError

Reader = Callable[..., Any]
LINE = b"(1436509052.249713) vcan0 044#2A366C2B\n"
MANY = b"".join(b"(1436509052.%06d) vcan0 %03X#%08X\n" % (n, n % 0x7FF, n * 2654435761 % 2**32) for n in range(20_000))


def _zip(*members: tuple[str, bytes]) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            archive.writestr(name, content)
    return target.getvalue()


@pytest.mark.parametrize(
    "content",
    [
        MANY,
        gzip.compress(MANY),
        gzip.compress(MANY[:390_000]) + gzip.compress(MANY[390_000:]),
        zstandard.compress(MANY),
        zstandard.compress(MANY[:390_000]) + zstandard.compress(MANY[390_000:]),
        _zip(("monday.log", MANY)),
        _zip(("logs/", b""), ("logs/monday.log", MANY), ("__MACOSX/._monday.log", b"x"), (".DS_Store", b"x")),
    ],
)
def test_a_log_reads_the_same_in_every_compression(read_bytes: Reader, content: bytes) -> None:
    log = read_bytes(content, name="monday.bin")
    assert log.format == "candump"
    assert len(log.frames) == 20_000
    assert log.data[12_345] == (12_345 * 2654435761 % 2**32).to_bytes(4, "big")
    assert not log.report.dropped


@pytest.mark.parametrize("name", ["x.asc", "x.blf", "x.mf4", "x.trc", "x.csv", "x.pcap", "x", "x.db"])
def test_the_content_decides_not_the_name(read_bytes: Reader, name: str) -> None:
    log = read_bytes(LINE * 3, name=name)
    assert (log.format, len(log.frames)) == ("candump", 3)


@pytest.mark.parametrize(
    ("content", "format_"),
    [
        (b"date Fri Jul 10 06:17:32.249 am 2015\nbase hex  timestamps absolute\n   0.01 1  64  Rx   d 1 64\n", "asc"),
        (b";$FILEVERSION=1.1\n     1)     17535.4  Tx     0100  1  00\n", "trc"),
        (b"time;id;data\n1;64;00\n", "csv"),
    ],
)
def test_each_text_format_is_told_under_a_wrong_name(read_bytes: Reader, content: bytes, format_: str) -> None:
    for name in ("x.log", "x.blf", "x.csv"):
        log = read_bytes(content, name=name)
        assert (log.format, len(log.frames)) == (format_, 1)


def test_standard_input_is_read(monkeypatch: pytest.MonkeyPatch, read_file: Reader) -> None:
    for content in (MANY, gzip.compress(MANY), _zip(("x.log", MANY))):
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(content)))
        log = read_file("-")
        assert len(log.frames) == 20_000
        assert not sys.stdin.closed


@pytest.mark.parametrize("compress", [gzip.compress, zstandard.compress])
def test_a_cut_compressed_log_keeps_what_came_before_and_says_so(
    read_bytes: Reader, compress: Callable[[bytes], bytes]
) -> None:
    whole = compress(MANY * 20)
    log = read_bytes(whole[: len(whole) * 3 // 4])
    assert 10_000 < len(log.frames) < 400_000
    assert "compression_cut" in log.report.dropped
    assert log.report.damage[-1].where.startswith("byte ")


def test_a_flipped_byte_in_a_compressed_log_is_said(read_bytes: Reader) -> None:
    whole = bytearray(gzip.compress(MANY * 20))
    whole[len(whole) * 3 // 4] ^= 0xFF
    log = read_bytes(bytes(whole))
    assert len(log.frames) > 100_000
    assert log.report.dropped


def test_a_wrong_check_sum_at_the_end_is_said_and_nothing_is_lost(read_bytes: Reader) -> None:
    whole = bytearray(gzip.compress(MANY))
    whole[-6] ^= 0xFF
    log = read_bytes(bytes(whole))
    assert len(log.frames) == 20_000
    assert "compression_damaged" in log.report.dropped


def test_a_large_compressed_log_of_empty_lines_ends_fast(read_bytes: Reader) -> None:
    content = gzip.compress(LINE + b"\n" * (200 << 20) + LINE)
    begin = time.process_time()
    log = read_bytes(content)
    assert time.process_time() - begin < 20  # a general reader takes 46 s; measured here: 2 s
    assert log.frames[0][2] == 0x44
    # Either the whole was read, or its unpacked size was found to be out of all proportion.
    assert len(log.frames) == 2 or "unpacked_too_large" in log.report.dropped


def test_a_bomb_is_stopped_and_said(tmp_path: Path, read_file: Reader) -> None:
    packer = zstandard.ZstdCompressor(level=3).compressobj()
    path = tmp_path / "x.log.zst"
    block = b"\n" * (16 << 20)
    with path.open("wb") as file:
        file.write(packer.compress(LINE))
        for _ in range(128):
            file.write(packer.compress(block))
        file.write(packer.flush())
    begin = time.process_time()
    log = read_file(path)
    assert time.process_time() - begin < 20
    assert len(log.frames) == 1
    assert log.report.dropped == {"unpacked_too_large": 1}


def test_a_zip_bomb_is_stopped_and_said(read_bytes: Reader) -> None:
    log = read_bytes(_zip(("x.log", LINE + b"\n" * (300 << 20))), name="x.zip")
    assert len(log.frames) == 1
    assert log.report.dropped == {"unpacked_too_large": 1}


def test_a_bound_on_the_unpacked_size_holds(read_bytes: Reader) -> None:
    log = read_bytes(gzip.compress(MANY), options=ReadOptions(max_unpacked_bytes=100_000, buffer_bytes=8192))
    assert 0 < len(log.frames) < 20_000
    assert "unpacked_too_large" in log.report.dropped


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "empty"),
        (b"\x00" * 100, "no log of a known format"),
        (b"hello\n" * 100, "no log of a known format"),
        (gzip.compress(b"", mtime=0), "empty once unpacked"),
        (gzip.compress(gzip.compress(MANY, mtime=0), mtime=0), "compressed twice"),
        (b"\x1f\x8b" + b"\xff" * 100, "damaged from its first byte"),
        (b"PK\x03\x04" + b"\xff" * 100, "cannot be read"),
        (_zip(), "0 files"),
        (_zip(("a.log", MANY), ("b.log", MANY)), "2 files"),
    ],
)
def test_what_is_no_log_is_refused_in_one_sentence(read_bytes: Reader, content: bytes, message: str) -> None:
    with pytest.raises(LogError, match=message) as caught:
        read_bytes(content, name="x.dat")
    assert caught.value.exit_code == 3
    assert "x.dat" in caught.value.where


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    link = tmp_path / "link.log"
    link.symlink_to("/dev/zero")
    loop = tmp_path / "loop.log"
    loop.symlink_to(loop)
    for path, message in (
        (tmp_path, "folder"),
        (pipe, "pipe"),
        (Path("/dev/zero"), "device"),
        (link, "device"),
        (loop, "cannot be opened"),
        (tmp_path / "missing.log", "no such file"),
        (Path("x\0y"), "cannot be opened"),
    ):
        with pytest.raises(LogError, match=message):
            open_log(path)


def test_a_link_to_a_log_is_read(tmp_path: Path, read_file: Reader) -> None:
    (tmp_path / "x.log").write_bytes(LINE)
    (tmp_path / "link.log").symlink_to(tmp_path / "x.log")
    assert len(read_file(tmp_path / "link.log").frames) == 1


def test_an_unknown_format_cannot_be_asked_for(read_bytes: Reader) -> None:
    with pytest.raises(UsageError, match="no log format"):
        read_bytes(LINE, options=ReadOptions(format="xyz"))


def test_batches_can_be_drawn_once_and_close_the_log(tmp_path: Path) -> None:
    path = tmp_path / "x.log"
    path.write_bytes(LINE)
    log = open_log(path)
    assert sum(map(len, log.batches())) == 1
    with pytest.raises(UsageError, match="only once"):
        log.batches()


def test_batches_are_bounded(tmp_path: Path) -> None:
    path = tmp_path / "x.log"
    path.write_bytes(LINE * 300_000)
    sizes = [len(batch) for batch in open_log(path, options=ReadOptions(buffer_bytes=64 << 20)).batches()]
    assert sum(sizes) == 300_000
    assert max(sizes) <= MAX_BATCH


@pytest.mark.parametrize("buffer", [1, 8192, 8193, 10_007, 1 << 20])
def test_the_size_of_the_buffer_makes_no_difference(read_bytes: Reader, buffer: int) -> None:
    content = MANY.replace(b"(1436509052.000777)", b"garbage")
    expected = read_bytes(content)
    log = read_bytes(content, options=ReadOptions(buffer_bytes=buffer))
    assert (log.frames, log.places) == (expected.frames, expected.places) == (log.frames, [("line 778", "not_a_frame")])


def test_random_access_copies_only_what_is_not_plain(tmp_path: Path) -> None:
    for content in (MANY, gzip.compress(MANY)):
        path = tmp_path / "x.log"
        path.write_bytes(content)
        with open_stream(path, ReadOptions()) as stream:
            assert (stream.path == path) == (content is MANY)
            with stream.random_access() as file:
                file.seek(39 * 5)
                assert file.read(39) == MANY[39 * 5 : 39 * 6]
        if content is not MANY:
            with (
                open_stream(path, ReadOptions(max_spool_bytes=1000)) as stream,
                pytest.raises(LogError, match="larger"),
            ):
                stream.random_access()


def test_a_fault_of_compression_stands_in_the_report(tmp_path: Path) -> None:
    path = tmp_path / "x.gz"
    path.write_bytes(gzip.compress(MANY)[:-20])
    report = ReadReport("candump")
    with open_stream(path, ReadOptions()) as stream:
        while stream.read(65_536):
            pass
        stream.report_fault(report)
    assert report.dropped == {"compression_cut": 1}
