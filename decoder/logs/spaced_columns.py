"""Regular CAN lines of logs whose fields are set apart by spaces, as whole columns.

The layout is learnt from one line and then verified for all others at once: the same places of the decimal point, the
channel, the identifier, the direction, the length and the data. Lines of another layout are left to be learnt next.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from types import ModuleType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, Int64Array
from decoder.logs.compiled import run
from decoder.logs.lin_identifier import IDENTIFIERS, PARITY_FLAGS
from decoder.logs.lines import Lines
from decoder.logs.rows import MAX_BASE_IDENTIFIER, MAX_IDENTIFIER, Channels, Placed
from decoder.logs.text_columns import (
    LOW_BYTES,
    SPACES,
    ZEROS,
    Words,
    decimal_words,
    first_of,
    hex_number,
    pad_left,
    pad_right,
    spaced_hex,
    spaces_to_zeros,
    word_at,
)

POINT: Final = 16  # place of the decimal point in the part of a line that is looked at
_LOOK: Final = 96  # bytes in which the data must begin
_DATA: Final = 24  # bytes that eight bytes of data take
_CHECKSUM: Final = int.from_bytes(b"checksum", "little")
_EQUALS: Final = int.from_bytes(b" = ", "little")
MIN_COLUMN: Final = 32  # fewer lines are read faster one by one
_MAX_LAYOUTS: Final = 12  # learnt in one buffer; what fits none is read line by line


@dataclass(frozen=True, slots=True)
class Grammar:
    """What a regular line looks like.

    line: its beginning up to the first data byte, with the groups whole, point, fraction (of the time), channel (may be
    missing), identifier, gap (spaces behind it), direction (its first letter; may be missing), length (one digit, 0 to
    8), space (in front of the data, if there are any), and number (a running number that says nothing; may be missing).
    second: nanoseconds of one unit of time. marked: 29-bit identifiers have an "x" behind them;
    else they have more than four digits. channel: name where no field has it. ended: nothing but one blank may follow
    the data. lin: the lines are LIN frames, which have " checksum = " and a decimal number behind the data.
    """

    line: re.Pattern[bytes]
    second: int
    marked: bool
    channel: str = ""
    ended: bool = False
    lin: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Layout:
    """Places in the part of a line that is looked at, whose decimal point is at `POINT`.

    lead: bytes before the decimal point. decimals: digits behind it. pattern, mask: what every line must have.
    """

    lead: int
    decimals: int
    channel: str
    identifier: int
    room: int  # bytes an identifier may take
    right: bool  # identifiers are right-aligned, `room` bytes, eight at most
    direction: int | None
    length: int
    data: int
    pattern: Words
    mask: Words


def read_regular(
    lines: Lines, candidates: Int64Array, channels: Channels, grammar: Grammar, loops: ModuleType | None
) -> tuple[list[Placed], Int64Array]:
    """Read what is regular among the lines `candidates`; times as written. Also returns the lines that are not."""
    left = candidates
    parts: list[Placed] = []
    odd: list[Int64Array] = []
    for _ in range(_MAX_LAYOUTS):
        sample = np.concatenate([left[:32], left[32 :: len(left) // 32 + 1]]).tolist()
        learnt = next(((layout, index) for index in sample if (layout := _learn(lines.line(index), grammar))), None)
        if learnt is None:
            break
        layout, index = learnt
        number = channels.number(layout.channel)
        if number < 0:
            break
        if loops is None or grammar.lin:
            part, left = _read(lines, left, layout, grammar)
        else:
            part, left = _read_compiled(lines, left, layout, grammar, loops)
        part.channel[:] = number
        if len(part):
            parts.append(part)
        if index in left[np.searchsorted(left, index) :][:1]:  # not regular after all
            odd.append(np.array([index]))
            left = left[left != index]
        if not len(left):
            break
    return parts, np.sort(np.concatenate([*odd, left]))


def _learn(line: bytes, grammar: Grammar) -> _Layout | None:
    match = grammar.line.match(line)
    if match is None:
        return None
    group = match.groupdict()
    shift = POINT - match.start("point")
    data = match.end("space") if match["space"] else match.end("length") + 1
    if data + shift >= _LOOK:
        return None
    first, gap = match.start("identifier"), match.end("gap")
    before = first - len(line[:first].rstrip(b" "))
    behind = len(match["gap"])
    right = before > behind and gap - behind - first <= 8
    if right:
        room = min(8, gap - behind - first + before - 1)
        first = gap - behind - room
    else:
        room = gap - first
    # The whole part of the time stands in the eight bytes before the point; what is further left must be blank.
    free = set(range(match.start("point") - 8, match.end("fraction"))) - {match.start("point")}
    free |= set(range(first, first + min(room, 9)))
    if group.get("number") is not None:
        free |= set(range(match.end("number")))
    if group.get("direction") is not None:
        free.add(match.start("direction"))
    width = -(-(data + shift + _DATA) // 8) * 8
    must, have = bytearray(width), bytearray(width)
    for place in range(max(0, -shift), match.start("length")):
        if place not in free:
            must[place + shift] = 0xFF
            have[place + shift] = line[place]
    channel = group.get("channel")
    return _Layout(
        match.start("point"),
        len(match["fraction"]),
        grammar.channel if channel is None else channel.decode(),
        first + shift,
        room,
        right,
        None if group.get("direction") is None else match.start("direction") + shift,
        match.start("length") + shift,
        data + shift,
        np.frombuffer(bytes(have), "<u8"),
        np.frombuffer(bytes(must), "<u8"),
    )


def _read_compiled(
    lines: Lines, index: Int64Array, layout: _Layout, grammar: Grammar, loops: ModuleType
) -> tuple[Placed, Int64Array]:
    """As `_read`."""
    places = (
        layout.lead - POINT,
        layout.lead,
        layout.decimals,
        grammar.second,
        POINT,
        layout.identifier,
        layout.room,
        int(layout.right),
        -1 if layout.direction is None else layout.direction,
        layout.length,
        layout.data,
        int(grammar.ended),
    )
    _, part, good = run(loops.spaced_lines, lines, index, np.array(places), grammar.marked, layout.pattern, layout.mask)
    return part, index[~good]


def _read(lines: Lines, index: Int64Array, layout: _Layout, grammar: Grammar) -> tuple[Placed, Int64Array]:
    """The lines that have the layout as frames of channel 0, and those that have not."""
    begin = lines.bounds(index)[0] + (layout.lead - POINT)
    width = 8 * len(layout.mask)
    look = lines.words(width)[begin].view(np.uint8).reshape(-1, width)
    words = look.view("<u8")
    good = np.ones(len(index), np.bool_)
    for place in np.flatnonzero(layout.mask).tolist():
        good &= (words[:, place] & layout.mask[place]) == layout.pattern[place]
    if not good.all():
        others = index[~good]
        index, begin, look = index[good], begin[good], np.ascontiguousarray(look[good])
    else:
        others = index[:0]
    time_ns, fine = read_times(look, layout.lead, layout.decimals, grammar.second)
    read_identifier = _right_identifier if layout.right else _left_identifier
    identifier, extended, known = read_identifier(look, layout, grammar.marked)
    fine &= known
    sent = np.zeros(len(index), np.bool_)
    if layout.direction is not None:
        direction = look[:, layout.direction]
        sent = direction == 84  # "T" of "Tx"
        fine &= sent | (direction == 82)
    length = look[:, layout.length] - np.uint8(48)
    fine &= (length <= 8) & (look[:, layout.length + 1] <= 32)  # a code of two digits is no length
    at = begin + layout.data
    size = np.minimum(length, np.uint8(8))
    payload, whole = spaced_hex(look, layout.data - 1, size)
    last = at - 1 + 3 * size.astype(np.int64)
    _, end = lines.bounds(index)
    # What follows the last byte must not be a third digit.
    whole &= ((last <= end) & (lines.text[last] <= 32)) | (length == 0)
    fine &= whole
    if grammar.ended:
        behind = np.where(length == 0, begin + layout.length + 1, last)
        fine &= end - behind <= 1
    flags = extended.astype(np.uint16) * np.uint16(Flag.EXTENDED) | sent.astype(np.uint16) * np.uint16(Flag.TRANSMIT)
    part = Placed(time_ns, np.zeros(len(index), np.uint16), identifier, flags, length, payload, index=index)
    if grammar.lin:
        part, known = _as_lin(lines, part, at)
        fine &= known
    if fine.all():
        return part, others
    return part.select(fine), np.sort(np.concatenate([others, index[~fine]]))


def read_times(look: ByteArray, lead: int, decimals: int, second: int) -> tuple[Int64Array, BoolArray]:
    """Times in nanoseconds, and which are well formed: a decimal number with its point at `POINT` of each row.

    lead: bytes of a line in front of the point. decimals: digits behind it. second: nanoseconds of one unit.
    """
    whole = word_at(look, POINT - 8)
    absent = LOW_BYTES[8 - min(lead, 8)]  # bytes of the line before
    whole = (whole & ~absent) | (SPACES & absent)
    whole, padded = spaces_to_zeros(whole)
    seconds, good = decimal_words(whole)
    fraction, fine = decimal_words(pad_right(word_at(look, POINT + 1), decimals))
    good &= padded & fine & (look[:, POINT - 1] != 32)  # without a digit in front of the point, part of it is lost
    return seconds * second + fraction * second // 100_000_000, good


def _right_identifier(
    look: ByteArray, layout: _Layout, marked: bool
) -> tuple[NDArray[np.uint32], BoolArray, BoolArray]:
    """Identifiers that end in one place: value, whether of 29 bits, whether well formed."""
    word = word_at(look, layout.identifier + layout.room - 8)
    if layout.room < 8:
        outside = LOW_BYTES[8 - layout.room]
        word = (word & ~outside) | (SPACES & outside)
    other = word ^ SPACES
    lowest = other & (~other + np.uint64(1))
    blanks = np.bitwise_count(lowest - np.uint64(1)).astype(np.int64) >> 3  # in front
    good = other != 0
    word = pad_left(word, 8 - blanks)
    if marked:
        extended = ((word >> np.uint64(56)) & np.uint64(0xDF)) == 88  # "x"
        good &= ~extended | (blanks < 7)
        if extended.any():
            word = np.where(extended, (word << np.uint64(8)) | np.uint64(0x30), word)
    else:
        extended = blanks < 4
    value, hexadecimal = hex_number(word)
    good &= hexadecimal
    good &= value <= np.where(extended, np.uint32(MAX_IDENTIFIER), np.uint32(MAX_BASE_IDENTIFIER))
    return value, extended, good


def _left_identifier(look: ByteArray, layout: _Layout, marked: bool) -> tuple[NDArray[np.uint32], BoolArray, BoolArray]:
    """Identifiers, left-aligned in their field: value, whether of 29 bits, whether well formed."""
    word = word_at(look, layout.identifier)
    if layout.room < 8:
        word = (word & LOW_BYTES[layout.room]) | (SPACES & ~LOW_BYTES[layout.room])
    length = first_of(word, 32)
    ninth = look[:, layout.identifier + 8] if layout.room > 8 else np.full(len(look), 32, np.uint8)
    ninth_marks = (length == 8) & ((ninth == 120) | (ninth == 88)) & (layout.room > 9) & marked
    last = word >> ((np.maximum(length, 1) - 1).astype(np.uint64) << np.uint64(3))
    last_marks = ((last & np.uint64(0xDF)) == 88) & ~ninth_marks & marked
    extended = ninth_marks | last_marks if marked else length > 4
    good = (((word ^ SPACES) & ~LOW_BYTES[length]) == 0) & ((ninth == 32) | ninth_marks)
    digits = length - last_marks
    good &= (digits > 0) & (length < layout.room)
    shift = ((8 - np.maximum(digits, 1)).astype(np.uint64)) << np.uint64(3)
    value, hexadecimal = hex_number((word << shift) | (ZEROS & LOW_BYTES[8 - np.maximum(digits, 1)]))
    good &= hexadecimal
    good &= value <= np.where(extended, np.uint32(MAX_IDENTIFIER), np.uint32(MAX_BASE_IDENTIFIER))
    return value, extended, good


def _as_lin(lines: Lines, part: Placed, at: Int64Array) -> tuple[Placed, BoolArray]:
    """The frames as LIN frames, with the checksum behind their data; and which have one in its regular form."""
    behind = at + 3 * part.length.astype(np.int64)
    text = lines.words(16)[behind].view("<u8").reshape(-1, 2)
    good = (text[:, 0] == _CHECKSUM) & ((text[:, 1] & LOW_BYTES[3]) == _EQUALS) & (part.identifier <= 0xFF)
    number = text[:, 1] >> np.uint64(24)
    digits = np.minimum(first_of(number, 32), np.maximum(lines.end[part.index] - behind - 11, 0))
    good &= (digits > 0) & (digits <= 3)
    digits = np.clip(digits, 1, 3)
    shift = (8 - digits).astype(np.uint64) << np.uint64(3)
    value, fine = decimal_words((number << shift) | (ZEROS & LOW_BYTES[8 - digits]))
    good &= fine & (value <= 0xFF)
    low = part.identifier & np.uint32(0xFF)
    flags = part.flags | np.uint16(Flag.LIN) | PARITY_FLAGS[low]
    checksum = np.where(good, value, -1).astype(np.int16)
    return replace(part, identifier=IDENTIFIERS[low], flags=flags, checksum=checksum), good
