"""Regular rows of a table as whole columns: every row has as many delimiters as the headings, and no quotes.

What a column cannot hold in its regular form (a date, a long channel name, data with a fault) makes a row irregular.
"""

from __future__ import annotations

from types import ModuleType

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, Int64Array
from decoder.logs.csv_alike import read_alike
from decoder.logs.csv_row import CsvTable
from decoder.logs.frame_columns import clear_past
from decoder.logs.lin_identifier import IDENTIFIERS, PARITY_FLAGS
from decoder.logs.lines import Lines
from decoder.logs.rows import MAX_BASE_IDENTIFIER, MAX_IDENTIFIER, MAX_TIME_NS, Channels, Placed
from decoder.logs.text_columns import (
    LOW_BYTES,
    ZEROS,
    Words,
    base64_bytes,
    decimal_words,
    first_of,
    hex_number,
    hex_pairs,
    hex_words,
    pad_left,
    pad_right,
    payload_bytes,
    shared_decimals,
    spaced_hex,
)

_MIN_ROWS = 32  # fewer are read faster one by one
_QUOTE, _SPACE, _ZERO, _POINT, _COMMA, _FILL = 34, 32, 48, 46, 44, 61
_FLAGS = (("extended", Flag.EXTENDED), ("remote", Flag.REMOTE), ("error", Flag.ERROR), ("fd", Flag.FD))


class _Fields:
    """The cells of n rows.

    start, end: (n,) of each row. marks: (columns - 1, n) places of its delimiters. spaces: whether there may be any.
    """

    def __init__(self, lines: Lines, rows: Int64Array, marks: Int64Array) -> None:
        self.lines, self.start, self.end = lines, lines.start[rows], lines.end[rows]
        self.marks = np.ascontiguousarray(marks.T)
        first, last = (int(self.start[0]), int(self.end[-1])) if len(rows) else (0, 0)
        self.spaces = bool((lines.text[first:last] == _SPACE).any())
        self.good = np.ones(len(rows), np.bool_)

    def cell(self, place: int) -> tuple[Int64Array, Int64Array]:
        """Begin and length of one column's cells; one blank on either side is taken off."""
        text = self.lines.text
        start = self.start if place == 0 else self.marks[place - 1] + 1
        end = self.end if place == len(self.marks) else self.marks[place]
        if not self.spaces:
            return start, end - start
        start = start + ((text[start] == _SPACE) & (start < end))
        end = end - ((text[end - 1] == _SPACE) & (start < end))
        return start, end - start

    def word(self, at: Int64Array) -> Words:
        """Eight bytes from each position on."""
        return self.lines.words(8)[at].view("<u8")

    def look(self, at: Int64Array, width: int) -> Words:
        """(n, width / 8) words from each position on."""
        return self.lines.words(width)[at].view("<u8").reshape(len(at), width // 8)

    def byte(self, at: Int64Array) -> ByteArray:
        return self.lines.text[at]


def read_regular(
    lines: Lines, index: Int64Array, table: CsvTable, channels: Channels, loops: ModuleType | None
) -> tuple[list[Placed], Int64Array]:
    """Read what is regular among the lines `index`; also returns the lines that are not."""
    parts, index = read_alike(lines, index, table, channels, loops)
    if len(index) < _MIN_ROWS or len(table.layout.bytes):
        return parts, index
    fields, rows = _cells(lines, index, table)
    if not len(rows):
        return parts, index
    good = fields.good
    time_ns = _time(fields, table, good)
    identifier, flags = _identifier(fields, table, good)
    length, payload = _data(fields, table, flags, good)
    checksum = _checksum(fields, table, good)
    channel = _channel(fields, table, channels, good)
    part = Placed(time_ns, channel, identifier, flags, length, payload, checksum, index=rows)
    if not good.all():
        part = part.select(good)
    return [*parts, part], np.setdiff1d(index, part.index, assume_unique=True)


def _cells(lines: Lines, index: Int64Array, table: CsvTable) -> tuple[_Fields, Int64Array]:
    """The cells of the rows that have as many as the headings and no quotes."""
    count = table.layout.count
    first, last = int(lines.start[index[0]]), int(lines.end[index[-1]])
    text = lines.text[first:last]
    marks = np.flatnonzero(text == ord(table.layout.delimiter)) + first
    whole = np.ones(len(index), np.bool_)
    if (text == _QUOTE).any():
        quotes = np.flatnonzero(text == _QUOTE) + first
        whole = np.searchsorted(quotes, lines.start[index]) == np.searchsorted(quotes, lines.end[index])
    by_row = marks.reshape(len(index), -1) if len(marks) == (count - 1) * len(index) else marks[:0, None]
    if len(by_row) and (by_row[:, 0] >= lines.start[index]).all() and (by_row[:, -1] <= lines.end[index]).all():
        by_row = by_row[whole] if not whole.all() else by_row
    else:
        row_of = np.searchsorted(marks, lines.start[index])
        whole &= np.searchsorted(marks, lines.end[index]) - row_of == count - 1
        by_row = marks[row_of[whole][:, None] + np.arange(count - 1)]
    rows = index[whole]
    return _Fields(lines, rows, by_row), rows


def _time(fields: _Fields, table: CsvTable, good: BoolArray) -> Int64Array:
    """Decimal numbers of up to twelve digits before the point and any number behind it, of which nine count."""
    start, length = fields.cell(table.layout.column["time"])
    word = fields.word(start)
    decimal_point = _POINT
    if table.layout.delimiter != "," and len(word) and not (first_of(word[:1], _POINT) < length[:1]).any():
        decimal_point = _COMMA if (fields.byte(start[0] + np.arange(int(length[0]))) == _COMMA).any() else _POINT
    point = first_of(word, decimal_point)
    if (point == 8).any():
        point = np.where(point == 8, 8 + first_of(fields.word(start + 8), decimal_point), point)
    point = np.minimum(point, length)  # a whole number has none
    good &= (point > 0) & (point <= 12) & (length <= 28)
    point = np.clip(point, 1, 12)
    look = fields.look(start + point - 16, 40)  # the point is at 16
    low, low_good = shared_decimals(pad_left(look[:, 1], np.minimum(point, 8)))
    high, high_good = shared_decimals(pad_left(look[:, 0], np.maximum(point - 8, 0)))
    decimals = length - point - 1
    good &= low_good & high_good & (decimals <= 16)
    decimals = np.clip(decimals, 0, 16)
    behind = (look[:, 2] >> np.uint64(8)) | (look[:, 3] << np.uint64(56))
    first, first_good = decimal_words(pad_right(behind, np.minimum(decimals, 8)))
    good &= first_good
    nano = first * 10  # of a unit
    if len(decimals) and int(decimals.max()) > 8:
        behind = (look[:, 3] >> np.uint64(8)) | (look[:, 4] << np.uint64(56))
        rest, rest_good = decimal_words(pad_right(behind, np.maximum(decimals - 8, 0)))
        good &= rest_good
        nano += rest // 10**7
    whole = high * 10**8 + low
    good &= whole < MAX_TIME_NS // table.unit
    return np.where(good, whole, 0) * table.unit + nano * table.unit // 10**9


def _identifier(fields: _Fields, table: CsvTable, good: BoolArray) -> tuple[NDArray[np.uint32], NDArray[np.uint16]]:
    start, length = fields.cell(table.layout.column["identifier"])
    prefixed = (fields.byte(start) == _ZERO) & ((fields.byte(start + 1) | 32) == ord("x")) & (length > 2)
    start, length = start + 2 * prefixed, length - 2 * prefixed
    marked = ((fields.byte(start + np.maximum(length, 1) - 1) | 32) == ord("x")) & (length > 1)
    digits = length - marked
    good &= (digits > 0) & (digits <= 8)
    digits = np.clip(digits, 1, 8)
    words = pad_left(fields.word(start + digits - 8), digits)
    value, fine = hex_number(words)
    if table.base == 10:
        decimal, decimal_fine = decimal_words(words)
        plain = ~prefixed & ~marked & decimal_fine
        value = np.where(plain, decimal, value).astype(np.uint32)
    good &= fine
    flags = np.zeros(len(start), np.uint16)
    for role, flag in _FLAGS:
        if role in table.layout.column:
            at, size = fields.cell(table.layout.column[role])
            digit = fields.byte(at)
            good &= (size == 1) & ((digit == _ZERO) | (digit == _ZERO + 1))
            flags |= (digit == _ZERO + 1).astype(np.uint16) * np.uint16(flag)
    if "direction" in table.layout.column:
        at, size = fields.cell(table.layout.column["direction"])
        letter = fields.byte(at) | 32
        good &= (size >= 1) & (size <= 2) & ((letter == ord("r")) | (letter == ord("t")))
        flags |= (letter == ord("t")).astype(np.uint16) * np.uint16(Flag.TRANSMIT)
    lin = _is_lin(fields, table, value, good)
    if "extended" in table.layout.column:
        flags[marked] |= np.uint16(Flag.EXTENDED)
    else:
        flags |= (marked | (value > MAX_BASE_IDENTIFIER)).astype(np.uint16) * np.uint16(Flag.EXTENDED)
    extended = (flags & np.uint16(Flag.EXTENDED)) != 0
    good &= value <= np.where(extended, np.uint32(MAX_IDENTIFIER), np.uint32(MAX_BASE_IDENTIFIER))
    if lin.any():
        good &= ~lin | (value <= 0xFF)
        low = value & np.uint32(0xFF)
        plain_flags = (flags & ~np.uint16(Flag.EXTENDED)) | np.uint16(Flag.LIN) | PARITY_FLAGS[low]
        return np.where(lin, IDENTIFIERS[low], value), np.where(lin, plain_flags, flags)
    return value, flags


def _is_lin(fields: _Fields, table: CsvTable, value: NDArray[np.uint32], good: BoolArray) -> BoolArray:
    """As `csv_row` tells it: by the bus or the channel, where they begin with "lin" or "can"; else by a checksum."""
    lin = np.zeros(len(value), np.bool_)
    undecided = np.ones(len(value), np.bool_)
    lower = np.uint64(0x202020)
    for role in ("protocol", "channel"):
        if role not in table.layout.column:
            continue
        at, size = fields.cell(table.layout.column[role])
        letters = fields.word(at) & LOW_BYTES[3] | lower
        says_lin = (letters == int.from_bytes(b"lin", "little")) & (size >= 3)
        says_can = (letters == int.from_bytes(b"can", "little")) & (size >= 3)
        # A longer word may hold either further on; that is looked at row by row.
        good &= says_lin | says_can | (size < 4) | ~undecided
        lin |= says_lin & undecided
        undecided &= ~(says_lin | says_can)
    if table.has_checksum:
        lin |= undecided & (value <= 0xFF)
    return lin


def _data(fields: _Fields, table: CsvTable, flags: NDArray[np.uint16], good: BoolArray) -> tuple[ByteArray, ByteArray]:
    start, size = fields.cell(table.layout.column["data"])
    lengths: Int64Array | None = None
    if "length" in table.layout.column:
        at, digits = fields.cell(table.layout.column["length"])
        good &= (digits > 0) & (digits <= 2)
        lengths, fine = decimal_words(pad_left(fields.word(at + np.clip(digits, 1, 2) - 8), np.clip(digits, 1, 2)))
        good &= fine
    no_data = (flags & np.uint16(Flag.REMOTE | Flag.ERROR)) != 0
    good &= ~no_data | (size == 0)
    if table.layout.base64:
        hexadecimal = np.zeros(len(size), np.bool_) if lengths is None else (size == 2 * lengths)
        good &= (size == 0) | ~hexadecimal | (size <= 2) | (fields.byte(start + size - 1) == _FILL)
        length, payload = _base64(fields, start, size, good)
    elif fields.spaces and (fields.byte(start + 2) == _SPACE)[size > 2][:1].any():
        length, payload = _spaced(fields, start, size, good)
    else:
        length, payload = _joined(fields, start, size, flags, good)
    if lengths is not None:
        good &= (lengths == length) | no_data
    return length.astype(np.uint8), payload


def _base64(fields: _Fields, start: Int64Array, size: Int64Array, good: BoolArray) -> tuple[Int64Array, ByteArray]:
    """Up to eight bytes in twelve characters."""
    good &= (size <= 12) & ((size & 3) == 0)
    last = fields.byte(start + np.maximum(size, 1) - 1) == _FILL
    fills = last * (1 + (fields.byte(start + np.maximum(size, 2) - 2) == _FILL))
    length = size // 4 * 3 - fills
    payload, fine = base64_bytes(fields.look(start, 16), np.clip(size - fills, 0, 12))
    good &= fine & (length <= 8)
    return length, clear_past(payload, np.clip(length, 0, 8).astype(np.uint8))


def _spaced(fields: _Fields, start: Int64Array, size: Int64Array, good: BoolArray) -> tuple[Int64Array, ByteArray]:
    """Up to eight bytes of two digits, a space between them."""
    length = (size + 1) // 3
    good &= (size == np.maximum(3 * length - 1, 0)) & (length <= 8)
    text = fields.lines.words(24)[start - 1].view(np.uint8).reshape(-1, 24)
    text[:, 0] = _SPACE  # in front of the first byte may stand anything
    payload, fine = spaced_hex(text, 0, np.clip(length, 0, 8).astype(np.uint8))
    good &= fine
    return length, payload


def _joined(
    fields: _Fields, start: Int64Array, size: Int64Array, flags: NDArray[np.uint16], good: BoolArray
) -> tuple[Int64Array, ByteArray]:
    """Up to eight bytes of two digits without anything between them; up to 64 where a row has that many."""
    prefixed = (fields.byte(start) == _ZERO) & ((fields.byte(start + 1) | 32) == ord("x"))
    start, size = start + 2 * prefixed, size - 2 * prefixed
    good &= ((size & 1) == 0) & (size <= 128)
    wide = 2 if not (size[good] > 16).any() else 16
    words: Words = fields.lines.words(8 * wide)[start].view("<u8").reshape(-1, wide)
    keep = LOW_BYTES[np.clip(size[:, None] - 8 * np.arange(wide), 0, 8)]
    values, fine = hex_words((words & keep) | (ZEROS & ~keep))
    good &= fine.all(axis=1)
    length = size >> 1
    long = length > 8
    good &= ~long | ((flags & np.uint16(Flag.LIN)) == 0)
    flags[long] |= np.uint16(Flag.FD)
    return length, payload_bytes(values)


def _checksum(fields: _Fields, table: CsvTable, good: BoolArray) -> NDArray[np.int16] | None:
    if not table.has_checksum:
        return None
    start, size = fields.cell(table.layout.column["checksum"])
    prefixed = (fields.byte(start) == _ZERO) & ((fields.byte(start + 1) | 32) == ord("x")) & (size > 2)
    start, size = start + 2 * prefixed, size - 2 * prefixed
    pair = np.ndarray((len(fields.lines.text) - 1,), "<u2", fields.lines.text.data, strides=(1,))[start]
    value, fine = hex_pairs(pair)
    good &= (fine & (size == 2)) | (size == 0)
    return np.where(size == 0, np.int16(-1), value.astype(np.int16))


def _channel(fields: _Fields, table: CsvTable, channels: Channels, good: BoolArray) -> NDArray[np.uint16]:
    if "channel" not in table.layout.column:
        channels.number("")
        return np.zeros(len(good), np.uint16)
    start, size = fields.cell(table.layout.column["channel"])
    good &= size <= 8
    number, known = channels.numbers(fields.word(start) & LOW_BYTES[np.minimum(size, 8)], good)
    good &= known
    return number
