"""CAN FD lines of ASC logs as whole columns: those that have every field in the same place as one of them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, Int64Array
from decoder.logs.asc_line import FD_FORMAT, FD_REMOTE
from decoder.logs.lines import Lines
from decoder.logs.rows import MAX_BASE_IDENTIFIER, MAX_IDENTIFIER, Channels, Placed
from decoder.logs.spaced_columns import MIN_COLUMN, POINT, read_times
from decoder.logs.text_columns import Words, hex_number, hex_pairs

_LINE: Final = re.compile(
    rb" {0,12}(?P<whole>\d{1,8})(?P<point>[.,])(?P<fraction>\d{1,8}) +CANFD +(?P<channel>\d{1,3}) +"
    rb"(?P<direction>[RT])x +(?P<identifier>[0-9A-Fa-f]{1,8})(?P<mark>x?) +(?P<name>(?:[A-Za-z_][!-~]{0,40} +)?)"
    rb"(?P<switch>[01]) (?P<state>[01]) (?P<code>[0-9A-Fa-f]) +(?P<length>\d{1,2}) (?=[0-9A-Fa-f]{2}\b)"
)
_TAIL: Final = re.compile(rb"( +\d+)( +\d+)( +[0-9A-Fa-f]{1,8})(?= |\s*$)")  # duration, bits, flags
_LOOK: Final = 160  # bytes up to the first data byte
_MOST_TAIL: Final = 48
_MAX_LAYOUTS: Final = 12
_SPACE, _ZERO = 32, 48


@dataclass(frozen=True, slots=True, eq=False)
class _Layout:
    """Places in the part of a line that is looked at; pattern, mask: what every line must have.

    ends: of the three fields behind the data, counted from the last digit of the data.
    """

    lead: int
    decimals: int
    channel: str
    direction: int
    identifier: slice
    extended: bool
    name: slice
    switch: int
    length: slice
    data: int
    ends: tuple[int, int, int]
    pattern: ByteArray
    mask: ByteArray


def read_fd(lines: Lines, candidates: Int64Array, channels: Channels) -> tuple[list[Placed], Int64Array]:
    """Read what is a regular CAN FD frame among the lines `candidates`; times as written. Also returns the others."""
    left, parts = candidates, []
    for _ in range(_MAX_LAYOUTS):
        if len(left) < MIN_COLUMN:
            break
        sample = np.concatenate([left[:8], left[8 :: len(left) // 32 + 1]]).tolist()
        layout = next((found for at in sample if (found := _learn(lines.line(at))) is not None), None)
        if layout is None or (number := channels.number(layout.channel)) < 0:
            break
        part, others = _read(lines, left, layout, number)
        if not len(part):
            break
        parts.append(part)
        left = others
    return parts, left


def _learn(line: bytes) -> _Layout | None:
    match = _LINE.match(line)
    if match is None:
        return None
    tail = _TAIL.match(line, match.end() + 3 * int(match["length"]) - 1)
    shift = POINT - match.start("point")
    if tail is None or match.end() + shift > _LOOK or not 8 <= tail.end() - tail.start() <= _MOST_TAIL:
        return None
    end = match.end("length")
    padded = line[end - 3 : end - 2] == b" "  # there is room for two digits
    length = slice(end - 2, end) if padded or len(match["length"]) == 2 else slice(end - 1, end)
    name, identifier = slice(*match.span("name")), slice(*match.span("identifier"))
    free = set(range(match.start("point") - 8, match.end("fraction"))) - {match.start("point")}
    free |= {match.start("direction"), match.start("switch"), match.start("state"), match.start("code")}
    for field in (identifier, name, length):
        free |= set(range(field.start, field.stop))
    have, must = np.zeros(_LOOK, np.uint8), np.zeros(_LOOK, np.uint8)
    for place in range(max(0, -shift), match.end()):
        if place not in free:
            have[place + shift], must[place + shift] = line[place], 0xFF

    def moved(field: slice) -> slice:
        return slice(field.start + shift, field.stop + shift)

    first, second, third = (tail.end(number) - tail.start() for number in (1, 2, 3))
    return _Layout(
        match.start("point"),
        len(match["fraction"]),
        match["channel"].decode(),
        match.start("direction") + shift,
        moved(identifier),
        bool(match["mark"]),
        moved(name),
        match.start("switch") + shift,
        moved(length),
        match.end() + shift,
        (first, second, third),
        have,
        must,
    )


def _read(lines: Lines, index: Int64Array, layout: _Layout, channel: int) -> tuple[Placed, Int64Array]:
    """The lines that have the layout, and those that have not."""
    begin = lines.start[index] + (layout.lead - POINT)
    look = lines.words(_LOOK)[begin].view(np.uint8).reshape(-1, _LOOK)
    words, mask, pattern = look.view("<u8"), layout.mask.view("<u8"), layout.pattern.view("<u8")
    alike = np.ones(len(index), np.bool_)
    for place in np.flatnonzero(mask).tolist():
        alike &= (words[:, place] & mask[place]) == pattern[place]
    begin, look, own = begin[alike], look[alike], index[alike]
    time_ns, good = read_times(look, layout.lead, layout.decimals, 1_000_000_000)
    identifier, fine = _hex_field(look[:, layout.identifier])
    good &= fine & (identifier <= (MAX_IDENTIFIER if layout.extended else MAX_BASE_IDENTIFIER))
    length, fine = _length(look[:, layout.length])
    good &= fine & _is_name(look[:, layout.name])
    sent = look[:, layout.direction] == ord("T")
    good &= sent | (look[:, layout.direction] == ord("R"))
    switch, state = (look[:, layout.switch + step] - np.uint8(_ZERO) for step in (0, 2))
    good &= (switch <= 1) & (state <= 1) & _hex_field(look[:, layout.switch + 4 : layout.switch + 5])[1]
    payload, fine = _data(lines, begin + layout.data, length)
    good &= fine
    bits, fine = _tail(lines, begin + layout.data + 3 * length.astype(np.int64) - 1, lines.end[own], layout.ends)
    is_fd = ((bits & np.uint32(FD_FORMAT)) != 0) | (length > 8)
    good &= fine & (is_fd | ((bits & np.uint32(FD_REMOTE)) == 0))
    flags = np.full(len(own), Flag.EXTENDED if layout.extended else 0, np.uint16)
    for chosen, flag in ((sent, Flag.TRANSMIT), (is_fd, Flag.FD)):
        flags |= chosen.astype(np.uint16) * np.uint16(flag)
    flags |= (is_fd & (switch == 1)).astype(np.uint16) * np.uint16(Flag.BIT_RATE_SWITCH)
    flags |= (is_fd & (state == 1)).astype(np.uint16) * np.uint16(Flag.ERROR_STATE)
    numbers = np.full(len(own), channel, np.uint16)
    part = Placed(time_ns, numbers, identifier, flags, length, payload, index=own).select(good)
    alike[alike] = good
    return part, index[~alike]


def _hex_field(text: ByteArray) -> tuple[NDArray[np.uint32], BoolArray]:
    """Up to eight hexadecimal digits that fill their field."""
    padded = np.full((len(text), 8), _ZERO, np.uint8)
    padded[:, 8 - text.shape[1] :] = text
    words: Words = padded.view("<u8")[:, 0]
    return hex_number(words)


def _length(text: ByteArray) -> tuple[ByteArray, BoolArray]:
    """1 to 64 in one or two digits, a blank in front of a single one."""
    digits = text - np.uint8(_ZERO)
    length = digits[:, -1].astype(np.int64)
    good = length <= 9
    if text.shape[1] == 2:
        blank = text[:, 0] == _SPACE
        good &= blank | (digits[:, 0] <= 9)
        length += np.where(blank, 0, 10 * digits[:, 0].astype(np.int64))
    good &= (length >= 1) & (length <= 64)
    return np.where(good, length, 1).astype(np.uint8), good


def _is_name(text: ByteArray) -> BoolArray:
    """A name that does not begin with a digit and blanks behind it, or blanks alone."""
    if not text.shape[1]:
        return np.ones(len(text), np.bool_)
    blank = text == _SPACE
    good: BoolArray = ((text >= _SPACE) & (text < 127)).all(axis=1) & blank[:, -1]
    good &= ~(blank[:, :-1] & ~blank[:, 1:]).any(axis=1)
    return good & (text[:, 0] - np.uint8(_ZERO) > 9)


def _data(lines: Lines, at: Int64Array, length: ByteArray) -> tuple[ByteArray, BoolArray]:
    """Up to 64 bytes of two digits, a space in front of each."""
    most = int(length.max(initial=1))
    text = lines.words(3 * most)[at - 1].view(np.uint8).reshape(-1, 3 * most)
    present = np.arange(most, dtype=np.uint8) < length[:, None]
    pairs = text[:, 1::3].astype(np.uint16) | (text[:, 2::3].astype(np.uint16) << np.uint16(8))
    values, fine = hex_pairs(pairs)
    good: BoolArray = ((fine & (text[:, ::3] == _SPACE)) | ~present).all(axis=1)
    payload = np.zeros((len(at), 8 if most <= 8 else 64), np.uint8)
    payload[:, :most] = np.where(present, values, np.uint8(0))
    return payload, good


def _tail(
    lines: Lines, at: Int64Array, end: Int64Array, ends: tuple[int, int, int]
) -> tuple[NDArray[np.uint32], BoolArray]:
    """The third field behind the data, hexadecimal; the three are right-aligned and end in the same places."""
    size = ends[2]
    text = lines.words(size + 1)[at].view(np.uint8).reshape(-1, size + 1)
    good = (at + size <= end) & (text[:, size] <= _SPACE)
    good &= ((text[:, :size] >= _SPACE) & (text[:, :size] < 127)).all(axis=1)
    blank = text == _SPACE
    for first, last in zip((0, *ends), ends, strict=False):
        good &= blank[:, first] & ~blank[:, last - 1]
        good &= ~(~blank[:, first : last - 1] & blank[:, first + 1 : last]).any(axis=1)
    begin = max(ends[1], size - 8)
    good &= blank[:, ends[1] : begin].all(axis=1)
    value, fine = _hex_field(np.where(blank[:, begin:size], np.uint8(_ZERO), text[:, begin:size]))
    return value, good & fine
