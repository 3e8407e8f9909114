"""Lines of a SocketCAN log that have every field in the same place as one of them, as whole columns."""

from __future__ import annotations

import re
from dataclasses import dataclass
from types import ModuleType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, Int64Array
from decoder.logs.compiled import run
from decoder.logs.lines import Lines
from decoder.logs.rows import MAX_BASE_IDENTIFIER, MAX_IDENTIFIER, Channels, Placed, columns_of
from decoder.logs.text_columns import (
    LOW_BYTES,
    ZEROS,
    Words,
    decimal_words,
    hex_number,
    hex_words,
    payload_bytes,
    shared_decimals,
    word_at,
)

_LINE: Final = re.compile(
    rb"\((?P<whole>\d{1,10})\.\d{6}\) (?P<channel>[!-~]{1,18}) "
    rb"(?P<identifier>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(?P<fd>#[0-9A-Fa-f])?"
)
_POINT: Final = 11  # place of the decimal point in the part of a line that is looked at
_NAME: Final = _POINT + 9
_LOOK: Final = 64  # bytes; enough for 16 digits of data behind the longest name
MIN_ROWS: Final = 64  # fewer are read faster one by one
_MAX_LAYOUTS: Final = 32  # that are looked for in one buffer
_SAMPLES: Final = 16  # lines whose layout is tried
_ERROR_BIT: Final = 0x20000000
# _FD_KEEP[n]: which characters of 128 belong to a payload of n of them.
_FD_KEEP: Final = np.array([[LOW_BYTES[min(max(n - 8 * k, 0), 8)] for k in range(16)] for n in range(129)], np.uint64)


@dataclass(frozen=True, slots=True, eq=False)
class _Layout:
    """digits: of the time in front of its point. identifier, data: their places. pattern, mask: what lines share.

    fd: a CAN FD frame, with a second "#" and a digit of flags in front of the data.
    """

    digits: int
    channel: str
    identifier: int
    data: int
    fd: bool
    pattern: Words
    mask: Words

    @property
    def extended(self) -> bool:
        """An identifier of eight digits, not of three."""
        return self.data - self.identifier > (6 if self.fd else 4)


def read_regular(lines: Lines, channels: Channels, loops: ModuleType | None) -> tuple[list[Placed], Int64Array]:
    """Lines that many others are laid out like, one layout after the other, and the indices of all other lines."""
    left, parts = np.arange(len(lines)), []
    for _ in range(_MAX_LAYOUTS):
        part, left = _read_alike(lines, left, channels, loops)
        if part is None:
            break
        parts.append(part)
    return parts, left


def _read_alike(
    lines: Lines, index: Int64Array, channels: Channels, loops: ModuleType | None
) -> tuple[Placed | None, Int64Array]:
    """The frames among the lines `index` that are laid out as one of them is, and the other lines.

    None if there is no such layout, or too few lines have it.
    """
    tried: set[bytes] = set()
    for at in index[:: len(index) // _SAMPLES + 1].tolist() if len(index) >= MIN_ROWS else []:
        layout = _learn(lines.line(at))
        if layout is None or (shared := layout.pattern.tobytes()) in tried:
            continue
        tried.add(shared)
        if loops is None or layout.fd:
            alike, part, good = _read(lines, index, layout)
        else:
            places = np.array([layout.digits - _POINT + 1, _POINT, layout.identifier, layout.data])
            masks = np.array(_time_masks(layout.digits))
            alike, part, good = run(loops.candump_lines, lines, index, places, masks, layout.pattern, layout.mask)
        if alike >= MIN_ROWS and good.any() and (number := channels.number(layout.channel)) >= 0:
            part.channel[:] = number
            return part, index[:0] if good.all() else index[~good]
    return None, index


def _learn(line: bytes) -> _Layout | None:
    match = _LINE.match(line)
    if match is None:
        return None
    shift = _POINT - match.end("whole")
    identifier, mark = match.start("identifier") + shift, match.end("identifier") + shift
    have, must = bytearray(_LOOK), bytearray(_LOOK)
    fixed = {_POINT - len(match["whole"]) - 1, _POINT, *range(_POINT + 7, identifier), mark}
    if match["fd"]:
        fixed.add(mark + 1)
    for place in fixed:
        have[place], must[place] = line[place - shift], 0xFF
    return _Layout(
        len(match["whole"]),
        match["channel"].decode("ascii"),
        identifier,
        match.end() + shift,
        match["fd"] is not None,
        np.frombuffer(bytes(have), "<u8"),
        np.frombuffer(bytes(must), "<u8"),
    )


def _read(lines: Lines, index: Int64Array, layout: _Layout) -> tuple[int, Placed, BoolArray]:
    """How many lines have the layout, the well-formed ones of these as frames of channel 0, and which these are."""
    begin = lines.bounds(index)[0] + (layout.digits - _POINT + 1)
    words = lines.words(_LOOK)[begin].view("<u8").reshape(-1, _LOOK // 8)
    alike = np.ones(len(index), np.bool_)
    for place in np.flatnonzero(layout.mask).tolist():
        alike &= (words[:, place] & layout.mask[place]) == layout.pattern[place]
    own, data_at = index, begin + layout.data
    if not alike.all():
        own, data_at, words = index[alike], data_at[alike], words[alike]
    if not len(own):
        return 0, columns_of([]), alike
    part, fine = _frames(lines, own, data_at, words.view(np.uint8), layout)
    if fine.all():
        return len(own), part, alike
    alike[alike] = fine
    return len(own), part.select(fine), alike


def _frames(
    lines: Lines, index: Int64Array, data_at: Int64Array, look: ByteArray, layout: _Layout
) -> tuple[Placed, BoolArray]:
    """Lines of the layout as frames, and which are well formed. look: (n, 64), the decimal point at `_POINT`."""
    time_ns, good = _times(look, layout.digits)
    _, end = lines.bounds(index)
    last = lines.text[end - 1]
    sent = last == 84  # "T" behind the data
    marked = (sent | (last == 82)) & (lines.text[end - 2] == 32)
    flags = np.zeros(len(index), np.uint16)
    if marked.any():
        end = end - 2 * marked
        flags |= (sent & marked).astype(np.uint16) * np.uint16(Flag.TRANSMIT)
    identifier, known = _identifier(look, layout)
    good &= known
    if layout.extended:
        flags |= np.uint16(Flag.EXTENDED)
        if int(identifier.max()) > MAX_IDENTIFIER:
            flags |= (identifier > MAX_IDENTIFIER).astype(np.uint16) * np.uint16(Flag.ERROR)
            identifier &= np.uint32(MAX_IDENTIFIER)
    characters = end - data_at
    good &= (characters >= 0) & (characters <= (128 if layout.fd else 16)) & ((characters & 1) == 0)
    if layout.fd:
        payload, more, fine = _fd(lines, data_at, characters)
        flags |= more
    else:
        payload, fine = _classic(look, layout.data, characters)
    good &= fine
    length = (np.clip(characters, 0, 128) >> 1).astype(np.uint8)
    return Placed(time_ns, np.zeros(len(index), np.uint16), identifier, flags, length, payload, index=index), good


def _classic(look: ByteArray, place: int, characters: Int64Array) -> tuple[ByteArray, BoolArray]:
    """Up to eight bytes of each line, zero past the end."""
    words = np.empty((len(look), 2), np.uint64)
    words[:, 0], words[:, 1] = word_at(look, place), word_at(look, place + 8)
    if (characters != 16).any():
        keep = LOW_BYTES[np.clip(characters[:, None] - np.array([0, 8]), 0, 8)]
        words = (words & keep) | (ZEROS & ~keep)
    values, fine = hex_words(words)
    return payload_bytes(values), fine[:, 0] & fine[:, 1]


def _fd(lines: Lines, data_at: Int64Array, characters: Int64Array) -> tuple[ByteArray, NDArray[np.uint16], BoolArray]:
    """Up to 64 bytes of each line, and what its digit of flags in front of them says."""
    digit: Words = lines.words(8)[data_at - 8].view("<u8")
    bits, good = hex_number((digit & ~LOW_BYTES[7]) | (ZEROS & LOW_BYTES[7]))
    keep = _FD_KEEP[np.clip(characters, 0, 128)]
    words: Words = lines.words(128)[data_at].view("<u8").reshape(-1, 16)
    values, fine = hex_words((words & keep) | (ZEROS & ~keep))
    flags = np.full(len(bits), Flag.FD, np.uint16)
    for bit, flag in ((1, Flag.BIT_RATE_SWITCH), (2, Flag.ERROR_STATE)):
        flags |= (bits & bit != 0) * np.uint16(flag)
    return payload_bytes(values), flags, good & fine.all(axis=1)


def _time_masks(digits: int) -> tuple[np.uint64, ...]:
    """What to keep of the words with digits 1 to 8 and 9 to 10 of a time, and the zeros to add for those missing."""
    gone = LOW_BYTES[max(min(10 - digits, 8), 0)]
    last = LOW_BYTES[max(2 - digits, 0)]
    return ~gone, ZEROS & gone, LOW_BYTES[2] & ~last, ZEROS & last


def _times(look: ByteArray, digits: int) -> tuple[Int64Array, BoolArray]:
    """Nanoseconds: the last two digits of the seconds and six decimals as one number, what is in front as another."""
    keep_high, add_high, keep_low, add_low = _time_masks(digits)
    high, low = word_at(look, _POINT - 10), word_at(look, _POINT - 2, "<u2")
    if digits < 10:
        high = (high & keep_high) | add_high
        low = (low & keep_low) | add_low
    behind = word_at(look, _POINT + 1)
    low_value, good = decimal_words(low | (behind << np.uint64(16)))
    high_value, high_good = shared_decimals(high)
    return high_value * 100_000_000_000 + low_value * 1000, good & high_good


def _identifier(look: ByteArray, layout: _Layout) -> tuple[NDArray[np.uint32], BoolArray]:
    word = word_at(look, layout.identifier)
    most = MAX_IDENTIFIER | _ERROR_BIT
    if not layout.extended:
        word = (word << np.uint64(40)) | (ZEROS & LOW_BYTES[5])
        most = MAX_BASE_IDENTIFIER
    value, good = hex_number(word)
    return value, good & (value <= most)
