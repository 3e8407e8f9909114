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
from decoder.logs.text_columns import LOW_BYTES, ZEROS, Words, decimal_words, hex_number, hex_words, payload_bytes

_LINE: Final = re.compile(
    rb"\((?P<whole>\d{1,10})\.\d{6}\) (?P<channel>[!-~]{1,18}) "
    rb"(?P<identifier>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(?!#)"
)
_POINT: Final = 11  # place of the decimal point in the part of a line that is looked at
_NAME: Final = _POINT + 9
_LOOK: Final = 64  # bytes; enough for 16 digits of data behind the longest name
MIN_ROWS: Final = 64  # fewer are read faster field by field


@dataclass(frozen=True, slots=True, eq=False)
class _Layout:
    """digits: of the time in front of its point. identifier, data: their places. pattern, mask: what lines share."""

    digits: int
    channel: str
    identifier: int
    data: int
    pattern: Words
    mask: Words


def read_alike(
    lines: Lines, index: Int64Array, channels: Channels, loops: ModuleType | None
) -> tuple[Placed | None, Int64Array]:
    """The classic frames among the lines `index` that are laid out as one of them is, and the other lines.

    None if there is no such layout, or too few lines have it.
    """
    if len(index) < MIN_ROWS:
        return None, index
    samples = (int(index[place]) for place in (0, len(index) // 2, len(index) - 1))
    layout = next((found for at in samples if (found := _learn(lines.line(at))) is not None), None)
    if layout is None:
        return None, index
    if loops is None:
        alike, part, good = _read(lines, index, layout)
    else:
        places = np.array([layout.digits - _POINT + 1, _POINT, layout.identifier, layout.data])
        masks = np.array(_time_masks(layout.digits))
        alike, part, good = run(loops.candump_lines, lines, index, places, masks, layout.pattern, layout.mask)
    if alike < MIN_ROWS or (number := channels.number(layout.channel)) < 0:
        return None, index
    part.channel[:] = number
    return part, index[:0] if good.all() else index[~good]


def _learn(line: bytes) -> _Layout | None:
    match = _LINE.match(line)
    if match is None:
        return None
    shift = _POINT - match.end("whole")
    identifier, mark = match.start("identifier") + shift, match.end("identifier") + shift
    have, must = bytearray(_LOOK), bytearray(_LOOK)
    fixed = {_POINT - len(match["whole"]) - 1, _POINT, *range(_POINT + 7, identifier), mark}
    for place in fixed:
        have[place], must[place] = line[place - shift], 0xFF
    return _Layout(
        len(match["whole"]),
        match["channel"].decode("ascii"),
        identifier,
        mark + 1,
        np.frombuffer(bytes(have), "<u8"),
        np.frombuffer(bytes(must), "<u8"),
    )


def _word(look: ByteArray, place: int, form: str = "<u8") -> NDArray[np.uint64]:
    return np.ndarray((len(look),), form, look.data, place, (_LOOK,)).astype(np.uint64)


def _read(lines: Lines, index: Int64Array, layout: _Layout) -> tuple[int, Placed, BoolArray]:
    """How many lines have the layout, the well-formed ones of these as frames of channel 0, and which these are."""
    begin = lines.start[index] + (layout.digits - _POINT + 1)
    words = lines.words(_LOOK)[begin].view("<u8").reshape(-1, _LOOK // 8)
    alike = np.ones(len(index), np.bool_)
    for place in np.flatnonzero(layout.mask).tolist():
        alike &= (words[:, place] & layout.mask[place]) == layout.pattern[place]
    own, data_at = index, begin + layout.data
    if not alike.all():
        own, data_at, words = index[alike], data_at[alike], words[alike]
    if not len(own):
        return 0, columns_of([]), alike
    part, fine = _read_alike(lines, own, data_at, words.view(np.uint8), layout)
    if fine.all():
        return len(own), part, alike
    alike[alike] = fine
    return len(own), part.select(fine), alike


def _read_alike(
    lines: Lines, index: Int64Array, data_at: Int64Array, look: ByteArray, layout: _Layout
) -> tuple[Placed, BoolArray]:
    """Lines of the layout as frames, and which are well formed. look: (n, 64), the decimal point at `_POINT`."""
    time_ns, good = _times(look, layout.digits)
    end = lines.end[index]
    last = lines.text[end - 1]
    sent = last == 84  # "T" behind the data
    marked = (sent | (last == 82)) & (lines.text[end - 2] == 32)
    flags = np.zeros(len(index), np.uint16)
    if marked.any():
        end = end - 2 * marked
        flags |= (sent & marked).astype(np.uint16) * np.uint16(Flag.TRANSMIT)
    identifier, known = _identifier(look, layout)
    good &= known
    if layout.data - layout.identifier > 4:
        flags |= np.uint16(Flag.EXTENDED)
    characters = end - data_at
    good &= (characters >= 0) & (characters <= 16) & ((characters & 1) == 0)
    words = np.empty((len(index), 2), np.uint64)
    words[:, 0], words[:, 1] = _word(look, layout.data), _word(look, layout.data + 8)
    if (characters != 16).any():
        keep = LOW_BYTES[np.clip(characters[:, None] - np.array([0, 8]), 0, 8)]
        words = (words & keep) | (ZEROS & ~keep)
    values, fine = hex_words(words)
    good &= fine[:, 0] & fine[:, 1]
    length = (characters >> 1).astype(np.uint8)
    channel = np.zeros(len(index), np.uint16)
    return Placed(time_ns, channel, identifier, flags, length, payload_bytes(values), index=index), good


def _time_masks(digits: int) -> tuple[np.uint64, ...]:
    """What to keep of the words with digits 1 to 8 and 9 to 10 of a time, and the zeros to add for those missing."""
    gone = LOW_BYTES[max(min(10 - digits, 8), 0)]
    last = LOW_BYTES[max(2 - digits, 0)]
    return ~gone, ZEROS & gone, LOW_BYTES[2] & ~last, ZEROS & last


def _times(look: ByteArray, digits: int) -> tuple[Int64Array, BoolArray]:
    """Nanoseconds: the last two digits of the seconds and six decimals as one number, what is in front as another."""
    keep_high, add_high, keep_low, add_low = _time_masks(digits)
    high, low = _word(look, _POINT - 10), _word(look, _POINT - 2, "<u2")
    if digits < 10:
        high = (high & keep_high) | add_high
        low = (low & keep_low) | add_low
    behind = _word(look, _POINT + 1)
    low_value, good = decimal_words(low | (behind << np.uint64(16)))
    same = bool((high == high[0]).all())
    high_value, high_good = decimal_words(high[:1] if same else high)
    return high_value * 100_000_000_000 + low_value * 1000, good & high_good


def _identifier(look: ByteArray, layout: _Layout) -> tuple[NDArray[np.uint32], BoolArray]:
    word = _word(look, layout.identifier)
    if layout.data - layout.identifier == 4:
        word = (word << np.uint64(40)) | (ZEROS & LOW_BYTES[5])
        most = MAX_BASE_IDENTIFIER
    else:
        most = MAX_IDENTIFIER  # what is above has flags that only the slower path knows
    value, good = hex_number(word)
    return value, good & (value <= most)
