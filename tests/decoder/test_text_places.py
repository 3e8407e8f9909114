"""Where a text log is damaged is told by line, wherever its buffers end."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from decoder.logs import ReadOptions

LOGS = {
    "x.log": (b"", b"(1436509052.249713) vcan0 044#2A366C2B\n"),
    "x.asc": (b"base hex timestamps absolute\n", b"   0.000215 1  18FEF700x       Tx   d 2 00 11\n"),
    "x.trc": (b";$FILEVERSION=1.1\n", b"     1)     17535.4  Rx         0100  2  00 01\n"),
    "x.csv": (b"time;id;data\n", b"0,215;123;0011\n"),
}
BAD = (700, 701, 2500)  # lines
KIND = {"x.csv": "columns_differ"}


@pytest.mark.parametrize("name", sorted(LOGS))
@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
def test_the_line_of_each_damaged_record_is_told(read_bytes: Callable[..., Any], name: str, ending: bytes) -> None:
    head, line = LOGS[name]
    lines = (head + line * 3000).splitlines()[:3000]
    for number in BAD:
        lines[number - 1] = b"not a frame"
    for size in (2 << 20, 8192):
        log = read_bytes(ending.join(lines) + ending, name=name, options=ReadOptions(buffer_bytes=size))
        assert log.places == [(f"line {number}", KIND.get(name, "not_a_frame")) for number in BAD]
        assert len(log.frames) == 3000 - len(BAD) - bool(head)
