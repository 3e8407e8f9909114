"""Reads text logs of SocketCAN, one frame a line: `(1436509052.249713) vcan0 044#2A366C2B`.

The layout is that of the can-utils programs (`candump -l`, `-L`; the console layout with a time as well). Regular lines
are read as columns; every other line goes to `candump_line`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from decoder.frames import FrameBatch, ReadReport
from decoder.logs import compiled
from decoder.logs.candump_columns import read_regular
from decoder.logs.candump_line import Clock, parse_line
from decoder.logs.lines import read_lines
from decoder.logs.rows import Channels, batch_of, columns_of, with_true_times
from decoder.logs.source import LogStream, ReadOptions

_SHORTEST = 8  # bytes of a line that may matter
FORMAT = "candump"

_LOG_LINE = re.compile(
    rb"^\s*\([0-9:. -]{3,40}\)\s+\S{1,64}\s+(?:[RT]X\s+.{0,8})?[0-9A-Fa-f]{1,8}(?:#|\s+\[\s*[0-9]+\])", re.MULTILINE
)
_BARE_LINE = re.compile(rb"^\s*[A-Za-z]\S{0,63}\s+[0-9A-Fa-f]{3,8}\s+\[\s*[0-9]{1,2}\]", re.MULTILINE)


def sniff(head: bytes, name: str) -> float:  # noqa: ARG001  # the protocol of readers
    """Sure if a line of the head has the layout."""
    if _LOG_LINE.search(head) is not None:
        return 1.0
    return 0.6 if _BARE_LINE.search(head) is not None else 0.0


def read(stream: LogStream, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    """The frames of a text log; see the package for the protocol."""
    channels = Channels()
    clock = Clock(report)
    loops = compiled.loops(stream)
    for lines in read_lines(stream, report, options.buffer_bytes, _SHORTEST):
        columns, rest = read_regular(lines, channels, loops)
        parts = with_true_times(columns, lines, report)  # ten digits of seconds may overflow
        rows = [row for index in rest.tolist() if (row := parse_line(lines, index, channels, report)) is not None]
        parts.append(columns_of(rows))
        count, batch = batch_of(parts, channels, options)
        report.frames += count
        if batch is not None:
            yield clock.settle(batch)
