"""Lines of a text log, a buffer at a time: where each begins and ends, without making a string of any."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoder.frames import ByteArray, Int64Array, ReadReport
from decoder.logs.source import LogStream

MAX_LINE = 4096  # bytes; the longest record of any format here (64 data bytes and what goes with them) is under 500
MARGIN = 512  # zero bytes around the text, so that a fixed-width look at any line stays inside the array
_NEWLINE, _RETURN, _SPACE = 10, 13, 32
_COMMENTS = np.frombuffer(b";/#", np.uint8)
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Lines of one buffer. Valid only until the next buffer is drawn: the text is overwritten.

    text: uint8, with `MARGIN` bytes before the first and after the last line. start, end: (n,) positions in text; the
    line feed, and a carriage return before it, are outside. number: (n,) line numbers in the file, from 1. Blank lines
    are left out. last_is_cut: the last line had no line feed, as the file ended.
    """

    text: ByteArray
    start: Int64Array
    end: Int64Array
    number: Int64Array
    last_is_cut: bool = False

    def __len__(self) -> int:
        return len(self.start)

    def bounds(self, index: Int64Array) -> tuple[Int64Array, Int64Array]:
        """Where those lines begin and end; index: rising and each named once."""
        return (self.start, self.end) if len(index) == len(self) else (self.start[index], self.end[index])

    def line(self, index: int) -> bytes:
        """One line as bytes."""
        return self.text[self.start[index] : self.end[index]].tobytes()

    def string(self, index: int) -> str:
        """One line as text: UTF-8, or Latin-1 where it is not."""
        line = self.line(index)
        try:
            return line.decode("utf-8")
        except UnicodeDecodeError:
            return line.decode("latin-1")

    def drop(self, index: int, kind: str, report: ReadReport) -> None:
        """Count a line that could not be read; the last one as cut off if it has no line feed."""
        cut = self.last_is_cut and index == len(self) - 1
        report.drop("cut_off" if cut else kind, f"line {self.number[index]}")

    def words(self, width: int) -> NDArray[np.void]:
        """An overlapping view: element p is the `width` bytes from position p on. Index it; never copy it whole."""
        return np.ndarray((len(self.text) - width + 1,), f"V{width}", self.text.data, strides=(1,))


def read_lines(stream: LogStream, report: ReadReport, buffer_bytes: int, shortest: int = 1) -> Iterator[Lines]:
    """All lines that are not blank, in order.

    One over `MAX_LINE` bytes is dropped and counted as "line_too_long"; one under `shortest` bytes that is no comment
    holds no frame and is counted as "not_a_frame".
    """
    size = max(buffer_bytes, 2 * MAX_LINE)
    text = np.zeros(size + 2 * MARGIN, np.uint8)
    view = memoryview(text.data)
    used = 0  # bytes behind the margin that hold text
    number = 1
    skipping = False  # inside a line that was longer than the buffer
    at_start = True
    while True:
        got = stream.readinto(view[MARGIN + used : MARGIN + size])
        ended = got == 0
        while got and used + got < size and (more := stream.readinto(view[MARGIN + used + got : MARGIN + size])):
            got += more
        used += got
        begin = MARGIN
        if at_start and text[MARGIN : MARGIN + len(_BOM)].tobytes() == _BOM:
            begin += len(_BOM)
        at_start = False
        text[MARGIN + used : 2 * MARGIN + used] = 0
        feeds = np.flatnonzero(text[MARGIN : MARGIN + used] == _NEWLINE) + MARGIN
        if skipping and len(feeds):
            begin = int(feeds[0]) + 1
            feeds = feeds[1:]
            number += 1
            skipping = False
        elif skipping:
            used = 0
        if ended:
            if used and not skipping:
                yield from _lines(text, begin, feeds, MARGIN + used, number, report, shortest)
            return
        if len(feeds):
            yield from _lines(text, begin, feeds, 0, number, report, shortest)
            number += len(feeds)
            begin = int(feeds[-1]) + 1
        elif used >= size:
            report.drop("line_too_long", f"line {number}")
            skipping, used, begin = True, 0, MARGIN
        left = MARGIN + used - begin
        text[MARGIN : MARGIN + left] = text[begin : begin + left].copy()
        used = left


def _lines(
    text: ByteArray, begin: int, feeds: Int64Array, cut_at: int, number: int, report: ReadReport, shortest: int
) -> Iterator[Lines]:
    """The lines from `begin` that `feeds` end, and one more up to `cut_at` where the file ended without a line feed."""
    end = feeds
    begin_of_rest = int(feeds[-1]) + 1 if len(feeds) else begin
    cut = cut_at > begin_of_rest
    if cut:
        end = np.append(feeds, cut_at)
    if not len(end):
        return
    start = np.empty_like(end)
    start[0] = begin
    start[1:] = end[:-1] + 1
    end = end - (text[end - 1] == _RETURN)
    numbers = np.arange(number, number + len(end))
    length = end - start
    if shortest <= int(length.min()) and int(length.max()) <= MAX_LINE:  # nearly every buffer
        yield Lines(text, start, end, numbers, cut)
        return
    usable = (length > 0) & (length <= MAX_LINE)
    short = usable & (length < shortest)
    if short.any():
        short &= ~np.isin(text[start], _COMMENTS)
        _drop_short(text, start, end, np.flatnonzero(short), number, report)
        usable &= ~short
    if not usable.all():
        for index in np.flatnonzero(length > MAX_LINE).tolist():
            report.drop("line_too_long", f"line {number + index}")
        start, end, numbers = start[usable], end[usable], numbers[usable]
        cut = cut and bool(usable[-1])
    if len(end):
        yield Lines(text, start, end, numbers, cut)


def _drop_short(
    text: ByteArray, start: Int64Array, end: Int64Array, short: Int64Array, number: int, report: ReadReport
) -> None:
    """Count lines too short for a frame, except those of blanks alone; only the first need their place."""
    blank = np.ones(len(short), np.bool_)
    for place in range(int((end - start)[short].max(initial=0))):
        at = np.minimum(start[short] + place, end[short])
        blank &= (text[at] <= _SPACE) | (at == end[short])
    short = short[~blank]
    for index in short[: report.MAX_DAMAGE].tolist():
        report.drop("not_a_frame", f"line {number + index}")
    if len(short) > report.MAX_DAMAGE:
        report.dropped["not_a_frame"] += len(short) - report.MAX_DAMAGE
