"""Reads ASC logs: a text line an event, CAN, CAN FD and LIN beside statistics and other events.

Times are seconds from the start of measurement; the start is a date in local time without a zone.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from types import ModuleType

import numpy as np

from decoder.frames import FrameBatch, Int64Array, ReadReport
from decoder.logs import compiled
from decoder.logs.asc_date import parse_date
from decoder.logs.asc_fd_columns import read_fd
from decoder.logs.asc_line import parse_event
from decoder.logs.lines import Lines, read_lines
from decoder.logs.rows import MAX_TIME_NS, Channels, Placed, Row, batch_of, columns_of, with_true_times
from decoder.logs.source import LogStream, ReadOptions
from decoder.logs.spaced_columns import MIN_COLUMN, Grammar, read_regular

_SHORTEST = 8  # bytes of a line that may matter
FORMAT = "asc"

_HEADER = re.compile(
    rb"^[ \t]*(?:date[ \t]+\w+[ \t].*\d{4}|base[ \t]+(?:hex|dec)\b|begin[ \t]+triggerblock"
    rb"|(?:no[ \t]+)?internal[ \t]+events[ \t]+logged)",
    re.MULTILINE | re.IGNORECASE,
)
_EVENT = re.compile(
    rb"^[ \t]*\d+[.,]\d+[ \t]+(?:\d{1,3}[ \t]+\S+[ \t]+(?:Rx|Tx)[ \t]+[dr]\b|CANFD[ \t]+\d+[ \t]+(?:Rx|Tx)\b"
    rb"|(?:Li|L\d{1,2})[ \t]+[0-9A-Fa-f]+[ \t]+(?:Rx|Tx)[ \t])",
    re.MULTILINE,
)
_CAN = Grammar(
    re.compile(
        rb" {0,12}(?P<whole>\d{1,8})(?P<point>[.,])(?P<fraction>\d{1,8}) +(?P<channel>\d{1,3}) +"
        rb"(?P<identifier>[0-9A-Fa-f]{1,8}[xX]?)(?P<gap> {1,40})(?P<direction>[RT])x +d +"
        rb"(?P<length>[0-8])(?:(?P<space> +)[0-9A-Fa-f]{2}|\s*$)"
    ),
    second=1_000_000_000,
    marked=True,
)
_LIN = Grammar(
    re.compile(
        rb" {0,12}(?P<whole>\d{1,8})(?P<point>[.,])(?P<fraction>\d{1,8}) +(?P<channel>Li|L\d{1,2}) +"
        rb"(?P<identifier>[0-9A-Fa-f]{1,2})(?P<gap> {1,40})(?P<direction>[RT])x +"
        rb"(?P<length>[0-8])(?P<space> +)(?:[0-9A-Fa-f]{2} +){0,8}checksum = \d"
    ),
    second=1_000_000_000,
    marked=False,
    lin=True,
)
_DATE = re.compile(r"\s*date\s+(.*)", re.IGNORECASE)
_BASE = re.compile(r"\s*base\s+(hex|dec)\b(?:\s+timestamps\s+(absolute|relative)\b)?.*", re.IGNORECASE)
_TRIGGER = re.compile(r"\s*begin\s+trigger\s*block\b(.*)", re.IGNORECASE)
_PLAIN_HEADER = re.compile(r"\s*(?:(?:no\s+)?internal\s+events\s+logged|end\s+trigger\s*block)\b.*", re.IGNORECASE)
_HEADER_LETTERS = frozenset("dbnie")
_LOCAL_NOTE = "The log's date is local time without a zone; it is taken as UTC."
_UNREADABLE_NOTE = "The log's date cannot be read; times count from its start."
_ADDED_NOTE = "The log's times count from line to line; they were added up."
_RESTART_NOTE = "A trigger block starts its times anew without a date; it is set behind the one before."


def sniff(head: bytes, name: str) -> float:  # noqa: ARG001  # the protocol of readers
    """Sure if the head has a header line and an event, or several events."""
    events = len(_EVENT.findall(head))
    if events and _HEADER.search(head) is not None:
        return 1.0
    if events:
        return 0.9
    return 0.7 if len(_HEADER.findall(head)) >= 2 else 0.0


def read(stream: LogStream, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    """The frames of an ASC log; see the package for the protocol."""
    reading = _Reading(report, compiled.loops(stream))
    for lines in read_lines(stream, report, options.buffer_bytes, _SHORTEST):
        parts: list[Placed] = []
        for part in _segments(lines):
            parts += reading.read(lines, part)
        count, batch = batch_of(parts, reading.channels, options)
        report.frames += count
        if batch is not None:
            yield batch


def _segments(lines: Lines) -> Iterator[Int64Array]:
    """Indices of lines up to, and from, each line that sets the base of numbers or begins a block."""
    first = lines.text[lines.start] | np.uint8(0x20)
    starts = [0]
    for index in np.flatnonzero((first == 98) | (first == 100)).tolist():  # "b" and "d"
        text = lines.line(index).decode("utf-8", "replace")
        if _BASE.fullmatch(text) or _TRIGGER.fullmatch(text) or _DATE.fullmatch(text):
            starts.append(index)
    for first_line, last in zip(starts, [*starts[1:], len(lines)], strict=True):
        if last > first_line:
            yield np.arange(first_line, last)


@dataclass(slots=True)
class _Reading:
    """What must be known of the lines before to read the next."""

    report: ReadReport
    loops: ModuleType | None
    channels: Channels = field(default_factory=Channels)
    base: int = 16
    relative: bool = False
    header_ns: int | None = None  # the date above the first block
    block_ns: int | None = None  # date of a block whose first time has not been seen yet
    block_open: bool = False  # such a block is waiting
    origin_ns: int = 0
    last_ns: int = 0  # the last time handed out
    begun: bool = False  # a time has been seen
    dated: bool = False  # the origin is a date

    def read(self, lines: Lines, index: Int64Array) -> list[Placed]:
        """The frames of consecutive lines between two settings."""
        parts: list[Placed] = []
        odd = index
        if self.base == 16 and len(index) >= MIN_COLUMN:
            for grammar in (_CAN, _LIN):
                found, odd = read_regular(lines, odd, self.channels, grammar, self.loops)
                parts += found
            found, odd = read_fd(lines, odd, self.channels)
            parts += found
        times = [(part.index, part.time_ns) for part in parts]
        rows, odd_times = self._odd_lines(lines, odd)
        if odd_times:
            times.append((np.array(list(odd_times)), np.array(list(odd_times.values()), np.int64)))
        if rows:
            parts.append(columns_of(rows))
        if times:
            self._settle(parts, times)
        return with_true_times(parts, lines, self.report)

    def _odd_lines(self, lines: Lines, odd: Int64Array) -> tuple[list[Row], dict[int, int]]:
        """The frames of lines read one by one; and the time of each line that has one, with a frame or without."""
        rows: list[Row] = []
        times: dict[int, int] = {}
        for index in odd.tolist():
            text = lines.string(index).strip()
            if text[:1].lower() in _HEADER_LETTERS and self._header(text):
                continue
            event = parse_event(text, self.base)
            if event.time_ns is not None:
                times[index] = event.time_ns
            if event.skipped:
                self.report.skip(event.skipped)
            elif event.frame is None:
                lines.drop(index, event.dropped, self.report)
            elif (channel := self.channels.number(event.frame.channel)) < 0:
                self.report.drop("too_many_channels", f"line {lines.number[index]}")
            else:
                frame, at = event.frame, times[index]
                rows.append(Row(index, at, channel, frame.identifier, int(frame.flags), frame.data, frame.checksum))
        return rows, times

    def _header(self, text: str) -> bool:
        """Take note of a line that sets something; False for all others."""
        if (match := _DATE.fullmatch(text)) is not None:
            self.header_ns = self._date(match[1])
            if self.begun:  # another log, appended to the first
                self.block_ns, self.block_open = self.header_ns, True
        elif (match := _BASE.fullmatch(text)) is not None:
            self.base = 10 if match[1].lower() == "dec" else 16
            self.relative = (match[2] or "").lower() == "relative"
            if self.relative:
                self.report.note(_ADDED_NOTE)
        elif (match := _TRIGGER.fullmatch(text)) is not None:
            self.block_ns = self._date(match[1]) if match[1].strip() else None
            self.block_open = True
        else:
            return _PLAIN_HEADER.fullmatch(text) is not None
        return True

    def _date(self, text: str) -> int | None:
        date = parse_date(text)
        if date is not None and not 0 <= date <= MAX_TIME_NS:
            date = None
        self.report.note(_UNREADABLE_NOTE if date is None else _LOCAL_NOTE)
        return date

    def _settle(self, parts: list[Placed], times: list[tuple[Int64Array, Int64Array]]) -> None:
        """Times of the frames as written -> times from one origin.

        times: (lines, times as written) of all lines that have one, the lines of each pair rising; at least one pair.
        """
        if not self.begun or self.block_open:
            _, earliest = min(times, key=lambda one: int(one[0][0]))
            self._begin_block(int(earliest[0]))
        if self.relative:
            self._add_up(parts, times)
            return
        self.last_ns = min(max(int(written.max()) for _, written in times) + self.origin_ns, MAX_TIME_NS)
        for part in parts:
            part.time_ns += self.origin_ns

    def _add_up(self, parts: list[Placed], times: list[tuple[Int64Array, Int64Array]]) -> None:
        """As `_settle`, where each time counts from the line before."""
        lines = np.concatenate([one for one, _ in times])
        first = int(lines.min())
        steps = np.zeros(int(lines.max()) - first + 1, np.int64)
        steps[lines - first] = np.concatenate([written for _, written in times])
        if float(steps.sum(dtype=np.float64)) > MAX_TIME_NS - self.last_ns:
            for part in parts:
                part.time_ns[:] = MAX_TIME_NS + 1
            return
        settled = self.last_ns + np.cumsum(steps)
        self.last_ns = int(settled[-1])
        for part in parts:
            part.time_ns = settled[part.index - first]

    def _begin_block(self, first_ns: int) -> None:
        """Find the origin of the times that follow.

        A block's date is the time of its trigger, while its times count from the start of measurement or from the
        trigger. The first time tells: it is near the difference of the two dates, or near zero.
        """
        before, date = self.header_ns, self.block_ns if self.block_open else None
        if not self.begun:
            origin = before if before is not None else date
            if before is not None and date is not None and abs(first_ns - (date - before)) > first_ns:
                origin = date
            self.dated = origin is not None
            self.origin_ns = self.last_ns = origin or 0
        elif not self.relative:
            self._follow(first_ns, date)
        elif date is not None and self.dated:
            self.last_ns = max(self.last_ns, date)
        self.begun, self.block_open = True, False

    def _follow(self, first_ns: int, date: int | None) -> None:
        """The origin of a block behind another."""
        if date is not None and self.dated:
            if abs(first_ns + self.origin_ns - date) > first_ns:
                self.origin_ns = date
        elif first_ns + self.origin_ns < self.last_ns:
            self.origin_ns = self.last_ns
            self.report.note(_RESTART_NOTE)
