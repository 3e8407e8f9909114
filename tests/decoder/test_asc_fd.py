"""CAN FD lines of ASC logs in bulk, against the same lines read one by one."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

import pytest

from decoder.frames import Flag

Reader = Callable[..., Any]
HEAD = b"date Fri Jul 10 06:17:32.249 am 2015\nbase hex  timestamps absolute\n"
BEHIND = "102203  133   303000 e0006659 46500250"
LENGTHS = (1, 7, 8, 12, 16, 20, 24, 32, 48, 64)


def line(number: int, name: str, data: bytes, *, word: str = "", bits: str = "0 0", behind: str = BEHIND) -> str:
    head = f"{number / 1000:11.6f} CANFD   1 {'Tx' if number % 3 == 0 else 'Rx'}   {name:>9}  {word:<34}"
    return f"{head}{bits} f {len(data):2d} {data.hex(' ')} {behind:>8}"


def test_every_length_flag_and_name_reads_as_written(read_bytes: Reader) -> None:
    lines, wanted = [], []
    for number in range(400):
        data = bytes(range(LENGTHS[number % 10]))
        name, flags = ("7E0", Flag.FD) if number % 2 else ("18FEF100x", Flag.FD | Flag.EXTENDED)
        flags |= Flag(0) if number % 3 else Flag.TRANSMIT
        flags |= Flag.BIT_RATE_SWITCH if number % 4 == 3 else Flag(0)
        bits = "1 0" if number % 4 == 3 else "0 0"
        lines.append(line(number, name, data, bits=bits, word=f"Name_{number % 6}" if number % 7 else ""))
        wanted.append((int(name.rstrip("x"), 16), flags, data))
    log = read_bytes(HEAD + "\n".join(lines).encode() + b"\n")
    assert [frame[2:] for frame in log.frames] == wanted
    assert not log.report.dropped


def test_a_frame_without_the_format_bit_is_a_classic_one(read_bytes: Reader) -> None:
    short = BEHIND.replace("303000", "200000")
    lines = [line(number, "123", bytes(8), behind=short) for number in range(1, 99, 3)] * 2
    log = read_bytes(HEAD + "\n".join(lines).encode() + b"\n")
    assert {frame[3] for frame in log.frames} == {Flag(0)}


@pytest.mark.parametrize("seed", range(3))
def test_damaged_lines_read_in_bulk_as_they_do_one_by_one(
    read_bytes: Reader, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    dice = random.Random(seed)
    lines = []
    for number in range(3000):
        name = f"{dice.randrange(2048):X}" if number % 4 else f"{dice.randrange(1 << 29):X}x"
        text = bytearray(line(number, name, dice.randbytes(dice.choice(LENGTHS))).encode())
        if number % 4 == 0:
            text[dice.randrange(len(text))] = dice.choice([32, 48, 65, dice.randrange(256)])
        if number % 31 == 0:
            del text[dice.randrange(len(text))]
        lines.append(bytes(text))
    content = HEAD + b"\n".join(lines) + b"\n"
    bulk = read_bytes(content)
    monkeypatch.setattr("decoder.logs.asc_fd_columns.MIN_COLUMN", 1 << 40)
    single = read_bytes(content)
    assert len(single.frames) > 2000
    assert bulk.frames == single.frames
    assert bulk.report == single.report


def test_a_time_that_lost_its_seconds_is_no_time(read_bytes: Reader) -> None:
    good = b"   1.500000 1  64              Rx   d 1 07\n"
    log = read_bytes(HEAD + good * 40 + good.replace(b"1.5", b" .5", 1) + good * 40)
    assert (len(log.frames), log.report.dropped) == (80, {"not_a_frame": 1})
