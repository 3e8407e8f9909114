"""Reads text logs of SocketCAN, one frame a line: `(1436509052.249713) vcan0 044#2A366C2B`.

The layout is that of the can-utils programs (`candump -l`, `-L`; the console layout with a time as well). Regular lines
are read as columns; every other line goes to `candump_line`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, FrameBatch, Int64Array, ReadReport
from decoder.logs import compiled
from decoder.logs.candump_columns import read_alike
from decoder.logs.candump_line import Clock, parse_line
from decoder.logs.lines import Lines, read_lines
from decoder.logs.rows import (
    MAX_BASE_IDENTIFIER,
    MAX_IDENTIFIER,
    Channels,
    Placed,
    Row,
    batch_of,
    columns_of,
    with_true_times,
)
from decoder.logs.source import LogStream, ReadOptions
from decoder.logs.text_columns import (
    LOW_BYTES,
    ZEROS,
    Words,
    decimal_words,
    first_of,
    hex_number,
    hex_words,
    pad_right,
    payload_bytes,
)

_MAX_LAYOUTS = 8  # that are looked for in one buffer; the lines of any other are read field by field
_SHORTEST = 8  # bytes of a line that may matter
FORMAT = "candump"

_LOG_LINE = re.compile(
    rb"^\s*\([0-9:. -]{3,40}\)\s+\S{1,64}\s+(?:[RT]X\s+.{0,8})?[0-9A-Fa-f]{1,8}(?:#|\s+\[\s*[0-9]+\])", re.MULTILINE
)
_BARE_LINE = re.compile(rb"^\s*[A-Za-z]\S{0,63}\s+[0-9A-Fa-f]{3,8}\s+\[\s*[0-9]{1,2}\]", re.MULTILINE)
_ERROR_BIT = 0x20000000
_FRACTION = 11  # place of the decimal point in a line whose time has ten digits before it
# FD_BYTES[n]: which characters of 128 belong to a payload of n of them.
_FD_KEEP = np.array([[LOW_BYTES[min(max(n - 8 * k, 0), 8)] for k in range(16)] for n in range(129)], np.uint64)


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
        columns, rest = _read_columns(lines, channels, loops)
        parts = with_true_times(columns, lines, report)
        rows: list[Row] = []
        for index in rest.tolist():
            row = parse_line(lines, index, channels, report)
            if row is not None:
                rows.append(row)
        parts.append(columns_of(rows))
        count, batch = batch_of(parts, channels, options)
        report.frames += count
        if batch is not None:
            yield clock.settle(batch)


def _read_columns(lines: Lines, channels: Channels, loops: ModuleType | None) -> tuple[list[Placed], Int64Array]:
    """What can be read as columns, and the indices of the lines that cannot.

    Lines that are laid out alike are read first. Of the rest, lines whose time has as many digits as that of the first
    line left are read in one go; a log that counts from zero has up to ten such groups, a log with dates one.
    """
    left = np.arange(len(lines))
    irregular: list[Int64Array] = []
    parts: list[Placed] = []
    for _ in range(_MAX_LAYOUTS):
        alike, left = read_alike(lines, left, channels, loops)
        if alike is None:
            break
        parts.append(alike)
    for _ in range(3):
        if not len(left):
            break
        digits = lines.line(int(left[0]))[:13].find(b".") - 1
        if not 1 <= digits <= 10:
            irregular.append(left[:1])
            left = left[1:]
            continue
        part, other_time, odd = _read_group(lines, left, digits, channels)
        parts += part
        irregular.append(odd)
        left = other_time
    irregular.append(left)
    return parts, np.sort(np.concatenate(irregular))


def _read_group(
    lines: Lines, index: Int64Array, digits: int, channels: Channels
) -> tuple[list[Placed], Int64Array, Int64Array]:
    """Read the lines `index` whose time has `digits` digits and six decimals.

    Returns the columns, the lines with another kind of time, and those that are irregular behind their time.
    """
    start = lines.start[index]
    time_ns, timed = _times(lines, start, digits)
    other_time = index[~timed]
    if len(other_time):
        index, start, time_ns = index[timed], start[timed], time_ns[timed]
    name_at = start + digits + 10
    end, transmit = _without_direction(lines, lines.end[index])
    channel, name_length = _channel(lines, name_at, channels)
    identifier, extended, data_at, good = _identifier(lines, name_at + name_length + 1)
    good &= name_length < 8
    characters = end - data_at
    fd = lines.text[data_at] == 35  # the second "#"
    if fd.any():
        good &= (characters >= 0) & ((characters & 1) == 0)
    else:
        good &= (characters >= 0) & (characters <= 16) & ((characters & 1) == 0)
    flags = transmit.astype(np.uint16) * np.uint16(Flag.TRANSMIT)
    if extended.any():
        flags |= extended.astype(np.uint16) * np.uint16(Flag.EXTENDED)
        error = extended & ((identifier & _ERROR_BIT) != 0) & (identifier < 2 * _ERROR_BIT)
        flags[error] = np.uint16(Flag.ERROR | Flag.EXTENDED)
        identifier = np.where(error, identifier & np.uint32(MAX_IDENTIFIER), identifier)
        good &= identifier <= np.where(extended, np.uint32(MAX_IDENTIFIER), np.uint32(MAX_BASE_IDENTIFIER))
    else:
        good &= identifier <= MAX_BASE_IDENTIFIER
    parts = []
    classic = good & ~fd & (characters <= 16)
    payload, decoded = _payload(lines, data_at, np.where(classic, characters, 0))
    classic &= decoded
    length = (characters >> 1).astype(np.uint8)
    whole = Placed(time_ns, channel, identifier, flags, length, payload, index=index)
    parts.append(whole if classic.all() else whole.select(classic))
    done = classic
    if fd.any():
        chosen = np.flatnonzero(good & fd & (characters >= 2) & (characters <= 130))
        part, read_well = _read_fd(lines, whole.select(chosen), data_at[chosen] + 1, characters[chosen] - 2)
        parts.append(part)
        done = done.copy()
        done[chosen[read_well]] = True
    return parts, other_time, index[~done]


def _times(lines: Lines, start: Int64Array, digits: int) -> tuple[Int64Array, BoolArray]:
    """Nanoseconds of `(digits.dddddd) `, and which lines have that layout."""
    look = lines.words(24)[start + (digits - 10)].view(
        np.dtype(
            {
                "names": ["high", "low", "fraction", "space"],
                "formats": ["<u8", "<u2", "<u8", "u1"],
                "offsets": [1, 9, _FRACTION, 19],
                "itemsize": 24,
            }
        )
    )
    high, low, fraction = look["high"], look["low"].astype(np.uint64), look["fraction"]
    if digits < 10:
        absent = 10 - digits  # characters before the first digit: the bracket and what precedes the line
        gone = LOW_BYTES[min(absent, 8)]
        high = (high & ~gone) | (ZEROS & gone)
        if absent > 8:
            low = (low & ~np.uint64(0xFF)) | np.uint64(0x30)
    low = (low << np.uint64(48)) | (ZEROS & np.uint64(0x0000FFFFFFFFFFFF))
    edge = np.uint64(0xFF000000000000FF)
    marks = np.uint64(0x2E | (0x29 << 56))  # "." and ")"
    good = (fraction & edge) == marks
    good &= look["space"] == 32
    good &= lines.text[start] == 40
    fraction = (fraction & ~edge) | (ZEROS & edge)
    high_value, high_good = decimal_words(high)
    low_value, low_good = decimal_words(low)
    fraction_value, fraction_good = decimal_words(fraction)
    good &= high_good & low_good & fraction_good
    return (high_value * 100 + low_value) * 1_000_000_000 + fraction_value * 100, good


def _without_direction(lines: Lines, end: Int64Array) -> tuple[Int64Array, BoolArray]:
    """Where each line ends without a direction " R" or " T" behind the data, and which were sent."""
    last = lines.text[end - 1]
    received, sent = last == 82, last == 84
    marked = (received | sent) & (lines.text[end - 2] == 32)
    if not marked.any():
        return end, marked
    return end - 2 * marked, sent & marked


def _channel(lines: Lines, at: Int64Array, channels: Channels) -> tuple[NDArray[np.uint16], Int64Array]:
    """Channel numbers, and the lengths of their names; a length of 0 or 8 means "irregular"."""
    words: Words = lines.words(8)[at].view("<u8")
    length = first_of(words[:1], 32)
    if len(at) and 0 < length[0] < 8 and not ((words ^ words[0]) & LOW_BYTES[length[0] + 1]).any():
        number, length = _channels_of(words[:1], length, channels)  # one name on all lines
        return np.repeat(number, len(at)), np.repeat(length, len(at))
    return _channels_of(words, first_of(words, 32), channels)


def _channels_of(words: Words, length: Int64Array, channels: Channels) -> tuple[NDArray[np.uint16], Int64Array]:
    """As `_channel`, from the eight bytes at each name and the place of the first space in them."""
    number, known = channels.numbers(words & LOW_BYTES[length], (length < 8) & (length > 0))
    return number, np.where(known, length, 8)


def _identifier(lines: Lines, at: Int64Array) -> tuple[NDArray[np.uint32], BoolArray, Int64Array, BoolArray]:
    """Identifiers of three or eight digits and a "#": value, whether eight, where the data begin, whether regular."""
    words: Words = lines.words(8)[at].view("<u8")
    extended = lines.text[at + 8] == 35
    short = ((words >> np.uint64(24)) & np.uint64(0xFF)) == 35
    three = (words << np.uint64(40)) | (ZEROS & LOW_BYTES[5])
    if short.all():
        value, good = hex_number(three)
        return value, np.zeros_like(short), at + 4, good
    extended &= ~short
    value, good = hex_number(np.where(short, three, words))
    return value, extended, at + np.where(short, 4, 9), good & (short | extended)


def _payload(lines: Lines, at: Int64Array, characters: Int64Array) -> tuple[ByteArray, BoolArray]:
    """Up to eight bytes of each line, zero past the end."""
    words: Words = lines.words(16)[at].view("<u8").reshape(-1, 2)
    padded = np.empty_like(words)
    padded[:, 0] = pad_right(words[:, 0], np.minimum(characters, 8))
    padded[:, 1] = pad_right(words[:, 1], np.maximum(characters - 8, 0))
    values, good = hex_words(padded)
    return payload_bytes(values), good[:, 0] & good[:, 1]


def _read_fd(lines: Lines, head: Placed, at: Int64Array, characters: Int64Array) -> tuple[Placed, BoolArray]:
    """CAN FD frames: one digit of flags, then up to 64 bytes. Returns the good ones and which of `head` they are."""
    digit: Words = lines.text[at].astype(np.uint64) | (ZEROS & ~np.uint64(0xFF))
    digit = (digit << np.uint64(56)) | (ZEROS & LOW_BYTES[7])
    bits, good = hex_number(digit)
    words: Words = lines.words(128)[at + 1].view("<u8").reshape(-1, 16)
    keep = _FD_KEEP[characters]
    values, fine = hex_words((words & keep) | (ZEROS & ~keep))
    good &= fine.all(axis=1)
    flags = head.flags | np.uint16(Flag.FD)
    flags |= np.where(bits & 1, np.uint16(Flag.BIT_RATE_SWITCH), np.uint16(0))
    flags |= np.where(bits & 2, np.uint16(Flag.ERROR_STATE), np.uint16(0))
    part = replace(head, flags=flags, length=(characters >> 1).astype(np.uint8), payload=payload_bytes(values))
    return part.select(good), good
