"""Reads TRC logs: a text line a frame, times in milliseconds from a start in the header; versions 1.0 to 2.1.

Source: the layouts as the header of each version describes them, and python-can's reader for what it covers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from types import ModuleType

import numpy as np

from decoder.frames import FrameBatch, Int64Array, ReadReport
from decoder.logs import compiled
from decoder.logs.lines import Lines, read_lines
from decoder.logs.rows import Channels, Placed, batch_of, columns_of
from decoder.logs.source import LogStream, ReadOptions
from decoder.logs.spaced_columns import MIN_COLUMN, Grammar, read_regular
from decoder.logs.trc_line import Header, parse_record

_SHORTEST = 8  # bytes of a line that may matter
FORMAT = "trc"

_MARK = re.compile(rb"^;\$FILEVERSION\s*=", re.MULTILINE | re.IGNORECASE)
_OLD = re.compile(
    rb"^[ \t]*\d+\)[ \t]+\d+(?:[.,]\d+)?[ \t]+(?:(?:\d+[ \t]+)?(?:Rx|Tx)[ \t]+)?[0-9A-Fa-f]{4,8}[ \t]", re.MULTILINE
)
_SEMICOLON = 59
_TIME = rb"(?P<whole>\d{1,8})(?P<point>[.,])(?P<fraction>\d{1,6}) +"
_IDENTIFIER = rb"(?P<identifier>[0-9A-Fa-f]{4,8})(?P<gap> +)"
_DIRECTION = rb"(?P<direction>[RT])x +"
_LENGTH = rb"(?P<length>[0-8])(?:(?P<space> +)[0-9A-Fa-f]{2}\b|\s*$)"
_OLD_NUMBER = rb" *(?P<number>\d+)\) +"
_REGULAR = {
    ("N", "O", "I", "L", "D"): _OLD_NUMBER + _TIME + _IDENTIFIER + _LENGTH,
    ("N", "O", "d", "I", "L", "D"): _OLD_NUMBER + _TIME + _DIRECTION + _IDENTIFIER + _LENGTH,
    ("N", "O", "B", "d", "I", "L", "D"): (
        _OLD_NUMBER + _TIME + rb"(?P<channel>\d{1,3}) +" + _DIRECTION + _IDENTIFIER + _LENGTH
    ),
    ("N", "O", "B", "d", "I", "R", "L", "D"): (
        _OLD_NUMBER + _TIME + rb"(?P<channel>\d{1,3}) +" + _DIRECTION + _IDENTIFIER + rb"- +" + _LENGTH
    ),
    ("N", "O", "T", "I", "d", "L", "D"): (
        rb" *(?P<number>\d+) +" + _TIME + rb"DT +" + _IDENTIFIER + _DIRECTION + _LENGTH
    ),
    ("N", "O", "T", "B", "I", "d", "R", "L", "D"): (
        rb" *(?P<number>\d+) +" + _TIME + rb"DT +(?P<channel>\d{1,3}) +" + _IDENTIFIER + _DIRECTION + rb"- +" + _LENGTH
    ),
}
_GRAMMARS = {
    columns: Grammar(re.compile(line), second=1_000_000, marked=False, channel="1", ended=True)
    for columns, line in _REGULAR.items()
}


def sniff(head: bytes, name: str) -> float:
    """Sure at a version in the header; nearly so at numbered lines of the first version, which has none."""
    if _MARK.search(head) is not None:
        return 1.0
    if _OLD.search(head) is not None:
        return 0.8
    return 0.1 if name.endswith(".trc") and head.lstrip().startswith(b";") else 0.0


def read(stream: LogStream, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    """The frames of a TRC log; see the package for the protocol."""
    channels = Channels()
    header = Header(report)
    loops = compiled.loops(stream)
    for lines in read_lines(stream, report, options.buffer_bytes, _SHORTEST):
        parts: list[Placed] = []
        for first, last in _segments(lines, header):
            parts += _read_segment(lines, np.arange(first, last), header, channels, loops)
        count, batch = batch_of(parts, channels, options)
        report.frames += count
        if batch is not None:
            yield batch


def _segments(lines: Lines, header: Header) -> Iterator[tuple[int, int]]:
    """Stretches of records between lines of the header, which is kept up to date."""
    first = 0
    for index in np.flatnonzero(lines.text[lines.start] == _SEMICOLON).tolist():
        line = lines.line(index)
        if b"$" not in line and header.exact:
            continue  # a comment; records before and behind it stay together
        if index > first:
            yield first, index
        first = index + 1
        header.take(line.decode("latin-1"))
    if first < len(lines):
        yield first, len(lines)


def _read_segment(
    lines: Lines, index: Int64Array, header: Header, channels: Channels, loops: ModuleType | None
) -> list[Placed]:
    parts: list[Placed] = []
    odd = index
    grammar = _GRAMMARS.get(header.columns)
    if grammar is not None and len(index) >= MIN_COLUMN:
        parts, odd = read_regular(lines, index, channels, grammar, loops)
    rows = [row for at in odd.tolist() if (row := parse_record(lines, at, header, channels, header.report)) is not None]
    if rows:
        parts.append(columns_of(rows))
    return [replace(part, time_ns=part.time_ns + header.origin_ns) for part in parts]
