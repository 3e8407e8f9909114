"""Lines laid out alike as columns, compiled by numba: what NumPy does in many passes over a column is one loop here.

The functions on a word are twins of those in `text_columns`, the loops of `_read` in `candump_columns`,
`spaced_columns` and `csv_alike`: the same numbers, the same lines refused. All in one file, since numba keeps its
machine code by the date of a function's own file. A word is unsigned, and so is the place of a line once it is known
to be inside: an unsigned index is not asked whether it counts from the end. A count is signed. The two must not meet in
one sum, which would be a float. Compiled loops do not check an index: each looks at a line only when all it may read
lies inside.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numpy as np
from numba import njit, types

from decoder.frames import Flag, Int64Array
from decoder.logs.compiled import Frames
from decoder.logs.text_columns import BASE64, LOW_BYTES, SPACED_KEEP, SPACES, ZEROS, Words, repeat

U = np.uint64
_Function = TypeVar("_Function", bound=Callable[..., object])
_BYTE, _LETTER, _LOW_HALF = U(0xFF), U(0xDF), U(0xFFFF_FFFF)
_HALVES, _FOURTHS = U(0x00FF00FF00FF00FF), U(0x0000FFFF0000FFFF)
_LOW_DIGITS, _HIGH_DIGITS, _SIXES, _ONES, _CASES = map(repeat, (0x0F, 0xF0, 0x06, 0x01, 0x40))
_SPACED_ZEROS = np.frombuffer(b" 00" * 8, "<u8").copy()
_BASE64 = np.full(256, 255, np.uint8)
_BASE64[list(BASE64)] = np.arange(64)
_BLANKS = np.frombuffer(b"\xff\0\0" * 8, "<u8").copy()
_SPACE, _X, _T, _R = U(32), U(88), U(84), U(82)
_TRANSMIT, _EXTENDED = np.uint16(Flag.TRANSMIT), np.uint16(Flag.EXTENDED)
_MOST_BASE, _MOST = U(0x7FF), U(0x1FFFFFFF)

_WORDS = types.Array(types.uint64, 1, "A", aligned=False)  # one from each byte of the text on
_PLACES = types.int64[::1]
_SHARED = types.Array(types.uint64, 1, "C", readonly=True)
_FRAMES = types.NamedTuple(
    (_PLACES, types.uint32[::1], types.uint16[::1], types.uint8[::1], types.uint64[::1], types.boolean[::1]), Frames
)


def _inner(function: _Function) -> _Function:
    """A part of loops, put into them before they are compiled: they are a seventh faster for it."""
    return cast("_Function", njit(inline="always")(function))


def _loop(*arguments: object) -> Callable[[_Function], _Function]:
    """Compiled when the module is imported, or taken from what an earlier process kept beside it."""
    return cast("Callable[[_Function], _Function]", njit(types.int64(*arguments), cache=True))


@_inner
def hex_word(word: U) -> tuple[U, bool]:
    """As `hex_words`: four bytes in the low half."""
    nibble = (word & _LOW_DIGITS) + ((word >> U(6)) & _ONES) * U(9)
    again = nibble + ZEROS + (((nibble + _SIXES) >> U(4)) & _ONES) * U(7)
    good = again == word & ~((word & _CASES) >> U(1)) and nibble & _HIGH_DIGITS == U(0)
    pair = ((nibble << U(4)) | (nibble >> U(8))) & _HALVES
    pair = (pair | (pair >> U(8))) & _FOURTHS
    return (pair | (pair >> U(16))) & _LOW_HALF, good


@_inner
def swapped(word: U) -> U:
    """The bytes in the opposite order."""
    word = ((word >> U(8)) & _HALVES) | ((word & _HALVES) << U(8))
    word = ((word >> U(16)) & _FOURTHS) | ((word & _FOURTHS) << U(16))
    return (word >> U(32)) | (word << U(32))


@_inner
def hex_value(word: U) -> tuple[U, bool]:
    """As `hex_number`."""
    value, good = hex_word(word)
    return swapped(value) >> U(32), good


@_inner
def decimal_word(word: U) -> tuple[U, bool]:
    """As `decimal_words`."""
    good = word & _HIGH_DIGITS == ZEROS and (word + _SIXES) & _HIGH_DIGITS == ZEROS
    value = word - ZEROS
    value = (value * U(10) + (value >> U(8))) & _HALVES
    value = (value * U(100) + (value >> U(16))) & _FOURTHS
    return (value * U(10_000) + (value >> U(32))) & _LOW_HALF, good


@_inner
def spaced_bytes(first: U, second: U, third: U, length: U) -> tuple[U, bool]:
    """As `spaced_hex`: up to eight bytes in one word."""
    if length != U(8):
        first = (first & SPACED_KEEP[length, 0]) | (_SPACED_ZEROS[0] & ~SPACED_KEEP[length, 0])
        second = (second & SPACED_KEEP[length, 1]) | (_SPACED_ZEROS[1] & ~SPACED_KEEP[length, 1])
        third = (third & SPACED_KEEP[length, 2]) | (_SPACED_ZEROS[2] & ~SPACED_KEEP[length, 2])
    blank = ((first ^ SPACES) & _BLANKS[0]) | ((second ^ SPACES) & _BLANKS[1]) | ((third ^ SPACES) & _BLANKS[2])
    low = ((first >> U(8)) & U(0xFFFF)) | ((first >> U(16)) & U(0xFFFF0000)) | ((first >> U(56)) << U(32))
    low |= ((second & _BYTE) << U(40)) | ((second << U(32)) & U(0xFFFF_0000_0000_0000))
    high = ((second >> U(40)) & U(0xFFFF)) | ((third & U(0xFFFF)) << U(16))
    high |= ((third << U(8)) & U(0xFFFF_0000_0000)) | (third & U(0xFFFF_0000_0000_0000))
    low_half, low_good = hex_word(low)
    high_half, high_good = hex_word(high)
    return low_half | (high_half << U(32)), low_good and high_good and blank == U(0)


@_inner
def first_place(word: U, byte: U) -> int:
    """As `first_of`."""
    place = 0
    while place < 8 and word & _BYTE != byte:
        word >>= U(8)
        place += 1
    return place


@_inner
def last_characters(word: U, kept: int) -> U:
    """As `pad_left`."""
    gone: U = LOW_BYTES[8 - kept]
    return (word & ~gone) | (ZEROS & gone)


@_inner
def first_characters(word: U, kept: int) -> U:
    """As `pad_right`."""
    keep: U = LOW_BYTES[kept]
    return (word & keep) | (ZEROS & ~keep)


@_inner
def joined_bytes(first: U, second: U, characters: int) -> tuple[U, bool]:
    """Up to eight bytes that so many digits write, in one word."""
    low_half, low_good = hex_word(first_characters(first, min(characters, 8)))
    high_half, high_good = hex_word(first_characters(second, max(characters - 8, 0)))
    return low_half | (high_half << U(32)), low_good and high_good


@_inner
def matches(words: Words, begin: U, pattern: Words, mask: Words) -> bool:
    """Whether the line has what all lines of the layout share."""
    other = U(0)
    at = begin
    for place in range(len(mask)):
        if mask[place]:
            other |= (words[at] & mask[place]) ^ pattern[place]
        at += U(8)
    return bool(other == U(0))


@_loop(_WORDS, _PLACES, _PLACES, _PLACES, _SHARED, _SHARED, _SHARED, _FRAMES)
def candump_lines(
    words: Words,
    start: Int64Array,
    end: Int64Array,
    places: Int64Array,
    time_masks: Words,
    pattern: Words,
    mask: Words,
    frames: Frames,
) -> int:
    """As `candump_columns._read`. places: shift, point, identifier, data. Returns how many lines have the layout."""
    shift, point, identifier_at, data = places[0], U(places[1]), U(places[2]), U(places[3])
    extended = data - identifier_at != U(4)
    alike = 0
    for row in range(len(start)):
        frames.good[row] = False
        if start[row] + shift < 0 or start[row] + shift + 72 > len(words) or end[row] < 2 or end[row] > len(words):
            continue
        begin, stop = U(start[row] + shift), U(end[row])
        if not matches(words, begin, pattern, mask):
            continue
        alike += 1
        high, fine = decimal_word((words[begin + point - U(10)] & time_masks[0]) | time_masks[1])
        low = (words[begin + point - U(2)] & time_masks[2]) | time_masks[3]
        micro, ok = decimal_word(low | (words[begin + point + U(1)] << U(16)))
        fine = fine and ok
        last = words[stop - U(1)] & _BYTE
        sent = last == _T and words[stop - U(2)] & _BYTE == _SPACE
        if sent or (last == _R and words[stop - U(2)] & _BYTE == _SPACE):
            stop -= U(2)
        word = words[begin + identifier_at]
        if not extended:
            word = (word << U(40)) | (ZEROS & LOW_BYTES[5])
        number, ok = hex_value(word)
        fine = fine and ok and bool(number <= (_MOST if extended else _MOST_BASE))
        characters = int(np.int64(stop - (begin + data)))
        if not fine or characters < 0 or characters > 16 or characters & 1:
            continue
        content, fine = joined_bytes(words[begin + data], words[begin + data + U(8)], characters)
        frames.time_ns[row] = np.int64(high * U(100_000_000_000) + micro * U(1000))
        frames.identifier[row] = number
        frames.flags[row] = (_TRANSMIT if sent else np.uint16(0)) | (_EXTENDED if extended else np.uint16(0))
        frames.length[row] = characters >> 1
        frames.payload[row] = content
        frames.good[row] = fine
    return alike


@_inner
def right_identifier(word: U, room: int, marked: bool) -> tuple[U, bool, bool]:
    """As `_right_identifier`, from the eight bytes that end where identifiers do."""
    if room < 8:
        outside = LOW_BYTES[8 - room]
        word = (word & ~outside) | (SPACES & outside)
    blanks = 0
    while blanks < 8 and (word >> U(8 * blanks)) & _BYTE == _SPACE:
        blanks += 1
    word = last_characters(word, 8 - blanks)
    extended, good = blanks < 4, blanks < 8
    if marked:
        extended = (word >> U(56)) & _LETTER == _X
        if extended:
            good = blanks < 7
            word = (word << U(8)) | U(0x30)
    number, fine = hex_value(word)
    return number, extended, good and fine


@_inner
def left_identifier(word: U, ninth: U, room: int, marked: bool) -> tuple[U, bool, bool]:
    """As `_left_identifier`, from the first eight bytes of the field and the one behind them."""
    if room < 8:
        word = (word & LOW_BYTES[room]) | (SPACES & ~LOW_BYTES[room])
    size = first_place(word, _SPACE)
    if room <= 8:
        ninth = _SPACE
    ninth_marks = size == 8 and ninth & _LETTER == _X and room > 9 and marked
    last_marks = marked and not ninth_marks and (word >> U(8 * (max(size, 1) - 1))) & _LETTER == _X
    extended = (ninth_marks or last_marks) if marked else size > 4
    good = (word ^ SPACES) & ~LOW_BYTES[size] == U(0) and (ninth == _SPACE or ninth_marks)
    digits = size - 1 if last_marks else size
    good = good and digits > 0 and size < room
    number, fine = hex_value(last_characters(word << U(8 * (8 - max(digits, 1))), max(digits, 1)))
    return number, extended, good and fine


@_loop(_WORDS, _PLACES, _PLACES, _PLACES, types.boolean, _SHARED, _SHARED, _FRAMES)
def spaced_lines(
    words: Words,
    start: Int64Array,
    end: Int64Array,
    places: Int64Array,
    marked: bool,
    pattern: Words,
    mask: Words,
    frames: Frames,
) -> int:
    """As `spaced_columns._read` for CAN. places: see `spaced_columns._compiled`. Returns how many lines are good."""
    shift, lead, decimals, second = places[0], places[1], places[2], U(places[3])
    point, identifier_at, room, right = U(places[4]), U(places[5]), places[6], places[7] != 0
    directed, direction, length_at = places[8] >= 0, U(places[8]), U(places[9])
    data, ended = U(places[10]), places[11] != 0
    absent = LOW_BYTES[8 - min(lead, 8)]
    found = 0
    for row in range(len(start)):
        frames.good[row] = False
        if start[row] + shift < 0 or start[row] + shift + 128 > len(words):
            continue
        begin, stop = U(start[row] + shift), U(end[row])
        if not matches(words, begin, pattern, mask):
            continue
        whole = (words[begin + point - U(8)] & ~absent) | (SPACES & absent)
        blank = (~whole >> U(4)) & _ONES
        fine = whole & (blank * U(0x0F)) == U(0) and blank & ~((blank << U(8)) | U(1)) == U(0)
        seconds, ok = decimal_word(whole | (_ONES << U(4)))
        fraction, exact = decimal_word(first_characters(words[begin + point + U(1)], decimals))
        fine = fine and ok and exact and words[begin + point - U(1)] & _BYTE != _SPACE
        if right:
            number, extended, ok = right_identifier(words[begin + identifier_at + U(room - 8)], room, marked)
        else:
            ninth = words[begin + identifier_at + U(8)] & _BYTE
            number, extended, ok = left_identifier(words[begin + identifier_at], ninth, room, marked)
        fine = fine and ok and number <= (_MOST if extended else _MOST_BASE)
        sent = False
        if directed:
            letter = words[begin + direction] & _BYTE
            sent = letter == _T
            fine = fine and (sent or letter == _R)
        digit = words[begin + length_at]
        size = (digit & _BYTE) - U(48)
        if not fine or size > U(8) or (digit >> U(8)) & _BYTE > _SPACE:
            continue
        at = begin + data - U(1)
        content, ok = spaced_bytes(words[at], words[at + U(8)], words[at + U(16)], size)
        last = at + U(3) * size
        if not ok or (size != U(0) and (last > stop or words[last] & _BYTE > _SPACE)):
            continue
        if ended and stop > (last if size != U(0) else begin + length_at + U(1)) + U(1):
            continue
        frames.time_ns[row] = np.int64(seconds * second + fraction * second // U(100_000_000))
        frames.identifier[row] = number
        frames.flags[row] = (_TRANSMIT if sent else np.uint16(0)) | (_EXTENDED if extended else np.uint16(0))
        frames.length[row] = size
        frames.payload[row] = content
        frames.good[row] = True
        found += 1
    return found


@_inner
def base64_bytes(words: Words, at: int, size: int) -> tuple[U, bool]:
    """As `text_columns.base64_bytes`, in one word."""
    first, last, seen = U(0), U(0), U(0)
    for place in range(12):
        value = U(_BASE64[words[at + place] & _BYTE]) if place < size else U(0)
        seen |= value
        if place < 8:
            first = (first << U(6)) | value
        else:
            last = (last << U(6)) | value
    return swapped((first << U(16)) | (last >> U(8))), bool(seen < U(64))


@_inner
def written_bytes(words: Words, at: int, size: int, length: int, form: int) -> tuple[U, bool]:
    """As `csv_alike._payload`. form: 0 nothing, 1 digits, 2 digits with blanks, 3 base64."""
    if form == 1:
        return joined_bytes(words[at], words[at + 8], size)
    if form == 2:
        return spaced_bytes((words[at - 1] & ~_BYTE) | _SPACE, words[at + 7], words[at + 15], U(length))
    if form == 3:
        content, good = base64_bytes(words, at, size)
        return content & LOW_BYTES[length], good
    return U(0), True


@_inner
def digits_before(word: U, mark: U) -> int:
    """How many characters stand behind the last such mark; 8 where there is none."""
    count = 0
    while count < 8 and (word >> U(56 - 8 * count)) & _BYTE != mark:
        count += 1
    return count


@_loop(_WORDS, _PLACES, _PLACES, _PLACES, _SHARED, _SHARED, _FRAMES)
def table_lines(
    words: Words,
    start: Int64Array,
    end: Int64Array,
    places: Int64Array,
    pattern: Words,
    mask: Words,
    frames: Frames,
) -> int:
    """As `csv_alike._read`. places: see `csv_alike._read_compiled`. Returns how many lines are good."""
    digits, point, unit, most_whole, size = places[0], U(places[1]), U(places[2]), U(places[3]), places[4]
    between, before, decimal = places[5], U(places[6]), places[7] != 0
    least, most, shared_flags = U(places[8]), U(places[9]), np.uint16(places[10])
    data, characters, count, form = places[11], places[12], places[13], places[14]
    found = 0
    for row in range(len(start)):
        frames.good[row] = False
        stop, at_point = end[row], start[row] + digits
        behind = stop - size
        if at_point < 16 or behind < 32 or at_point + 64 > len(words) or stop + 64 > len(words):
            continue
        if words[at_point] & _BYTE != point or not matches(words, U(behind), pattern, mask):
            continue
        own = digits_before(words[behind - 8], before >> U(56))
        decimals = behind - own - between - (at_point + 1)
        shift = U(8 * (8 - between))
        if own == 0 or decimals < 1 or decimals > 8 or words[behind - own - 8] >> shift != before >> shift:
            continue
        word = last_characters(words[behind - 8], own)
        number, fine = hex_value(word)
        if decimal:
            number, ok = decimal_word(word)
            fine = fine and ok
        if not fine or number < least or number > most:
            continue
        above, fine = decimal_word(last_characters(words[at_point - 16], max(digits - 8, 0)))
        below, ok = decimal_word(last_characters(words[at_point - 8], min(digits, 8)))
        fraction, exact = decimal_word(first_characters(words[at_point + 1], decimals))
        whole = above * U(100_000_000) + below
        if not fine or not ok or not exact or whole >= most_whole:
            continue
        content, fine = written_bytes(words, behind + data, characters, count, form)
        if not fine:
            continue
        nano = fraction * U(10) if unit == U(1_000_000_000) else fraction * U(10) * unit // U(1_000_000_000)
        frames.time_ns[row] = np.int64(whole * unit + nano)
        frames.identifier[row] = number
        frames.flags[row] = shared_flags
        frames.length[row] = count
        frames.payload[row] = content
        frames.good[row] = True
        found += 1
    return found
