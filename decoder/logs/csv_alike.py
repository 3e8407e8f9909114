"""Rows of a table that differ from one of them only in their time, the digits of the identifier and the data.

The time must be the first column, and the data stand behind the identifier. Both ends of a row are verified as whole
words, so that its cells need not be sought.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from types import ModuleType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, Int64Array
from decoder.logs.compiled import run
from decoder.logs.csv_row import HEX_IDENTIFIER, CsvTable, is_hexadecimal, parse_row
from decoder.logs.frame_columns import clear_past
from decoder.logs.lines import Lines
from decoder.logs.rows import MAX_BASE_IDENTIFIER, MAX_IDENTIFIER, MAX_TIME_NS, Channels, Placed, Row
from decoder.logs.text_columns import (
    LOW_BYTES,
    ZEROS,
    Words,
    base64_bytes,
    decimal_words,
    first_of,
    hex_number,
    hex_words,
    pad_left,
    pad_right,
    payload_bytes,
    shared_decimals,
    spaced_hex,
)

MIN_ROWS: Final = 64  # fewer are read faster cell by cell
_MAX_LAYOUTS: Final = 12
_POINT: Final = 16  # place of the decimal point in the part of a row with its time
_MOST_REST: Final = 128  # bytes behind the identifier
_TIME: Final = re.compile(r"(\d{1,12})[.,]\d{1,8}")
_JOINED: Final = re.compile(r"(?:0x)?((?:[0-9a-fA-F]{2}){1,8})")
_SPACED: Final = re.compile(r"[0-9a-fA-F]{2}(?: [0-9a-fA-F]{2}){1,7}")
_BASE64: Final = re.compile(r"([A-Za-z0-9+/]{2,12})=*")


@dataclass(frozen=True, slots=True, eq=False)
class _Layout:
    """row: what the rows share. digits: of the time in front of its point, which is the character `point`.

    between: what stands between the time and the digits of the identifier, decimal: whether these are decimal.
    size: bytes behind the identifier; of these, data: the places of the characters that write the data, in the form of
    one of the patterns above (None: there are none); pattern, mask: what all rows have in the others, in words.
    """

    row: Row
    digits: int
    point: int
    between: bytes
    decimal: bool
    size: int
    data: slice
    form: re.Pattern[str] | None
    pattern: Words
    mask: Words


def read_alike(
    lines: Lines, index: Int64Array, table: CsvTable, channels: Channels, loops: ModuleType | None
) -> tuple[list[Placed], Int64Array]:
    """Read what is laid out alike among the lines `index`; also returns the others."""
    parts: list[Placed] = []
    if table.layout.column["time"] != 0 or table.has_checksum or table.layout.bytes:
        return parts, index
    for _ in range(_MAX_LAYOUTS):
        if len(index) < MIN_ROWS:
            break
        samples = index[:: len(index) // 4 + 1].tolist()
        layout = next((found for at in samples if (found := _learn(lines.line(at), table, channels)) is not None), None)
        if layout is None:
            break
        if loops is None:
            part, others = _read(lines, index, layout, table)
        else:
            part, others = _read_compiled(lines, index, layout, table, loops)
        if not len(part):
            break
        parts.append(part)
        index = others
    return parts, index


def _learn(line: bytes, table: CsvTable, channels: Channels) -> _Layout | None:
    """The layout of a row that is a plain frame of eight bytes at most, without quotes and blanks around its cells."""
    if not line.isascii() or b'"' in line:
        return None
    text = line.decode("ascii")
    cells = text.split(table.layout.delimiter)
    row = parse_row(text, 0, table, channels)
    time = _TIME.fullmatch(cells[0])
    if isinstance(row, str) or time is None or row.flags & (Flag.LIN | Flag.REMOTE | Flag.ERROR) or len(row.data) > 8:
        return None
    column = table.layout.column
    begin = [sum(len(cell) + 1 for cell in cells[:place]) for place in range(len(cells))]
    first, at = begin[column["identifier"]], begin[column["data"]]
    number = HEX_IDENTIFIER.fullmatch(cells[column["identifier"]])
    content = cells[column["data"]]
    form, span = _form(content, row, table)
    if number is None or at < first or (content and form is None):
        return None
    between, rest = line[len(cells[0]) : first + number.start(1)], line[first + number.end(1) :]
    if len(between) > 8 or len(rest) > _MOST_REST:
        return None
    before = len(line) - len(rest)
    data = slice(at + span[0] - before, at + span[1] - before)
    have, must = np.zeros(-(-len(rest) // 8) * 8, np.uint8), np.zeros(-(-len(rest) // 8) * 8, np.uint8)
    have[: len(rest)], must[: len(rest)] = np.frombuffer(rest, np.uint8), 0xFF
    have[data], must[data] = 0, 0
    return _Layout(
        row,
        len(time[1]),
        line[len(time[1])],
        between,
        table.base == 10 and number[0] == number[1],
        len(rest),
        data,
        form,
        have.view("<u8"),
        must.view("<u8"),
    )


def _form(content: str, row: Row, table: CsvTable) -> tuple[re.Pattern[str] | None, tuple[int, int]]:
    """How the data are written, and where the characters stand that write them."""
    forms = [_JOINED, _SPACED]
    if table.layout.base64 and not ("length" in table.layout.column and is_hexadecimal(content, len(row.data))):
        forms = [_BASE64]
    for form in forms:
        if (match := form.fullmatch(content)) is not None:
            return form, match.span(form.groups)
    return None, (0, 0)


def _read_compiled(
    lines: Lines, index: Int64Array, layout: _Layout, table: CsvTable, loops: ModuleType
) -> tuple[Placed, Int64Array]:
    """As `_read`."""
    places = (
        layout.digits,
        layout.point,
        table.unit,
        MAX_TIME_NS // table.unit,
        layout.size,
        len(layout.between),
        int.from_bytes(layout.between.rjust(8, b"\0"), "little", signed=True),
        int(layout.decimal),
        *_identifiers(layout, table),
        layout.row.flags,
        layout.data.start,
        layout.data.stop - layout.data.start,
        len(layout.row.data),
        0 if layout.form is None else 1 + (_JOINED, _SPACED, _BASE64).index(layout.form),
    )
    _, part, good = run(loops.table_lines, lines, index, np.array(places), layout.pattern, layout.mask)
    part.channel[:] = layout.row.channel
    return part, index[~good]


def _identifiers(layout: _Layout, table: CsvTable) -> tuple[int, int]:
    """The least and the highest identifier that makes a frame of the layout."""
    if not layout.row.flags & Flag.EXTENDED:
        return 0, MAX_BASE_IDENTIFIER
    # Where no column tells, its size does; rows that have a letter for it are read cell by cell.
    return 0 if "extended" in table.layout.column else MAX_BASE_IDENTIFIER + 1, MAX_IDENTIFIER


def _read(lines: Lines, index: Int64Array, layout: _Layout, table: CsvTable) -> tuple[Placed, Int64Array]:
    """The lines that have the layout, and those that have not."""
    start, end = lines.bounds(index)
    point, behind = start + layout.digits, end - layout.size
    identifier, digits, good = _identifier(lines, behind, layout, table)
    decimals = behind - digits - (point + 1 + len(layout.between))
    good &= (decimals >= 1) & (decimals <= 8)
    rest = lines.words(8 * len(layout.mask))[behind].view("<u8").reshape(-1, len(layout.mask))
    for place in np.flatnonzero(layout.mask).tolist():
        good &= (rest[:, place] & layout.mask[place]) == layout.pattern[place]
    time_ns, fine = _times(lines, point, np.clip(decimals, 1, 8), layout, table.unit)
    good &= fine
    payload, fine = _payload(lines, behind + layout.data.start, layout)
    good &= fine
    count, row = len(index), layout.row
    part = Placed(
        time_ns,
        np.full(count, row.channel, np.uint16),
        identifier,
        np.full(count, row.flags, np.uint16),
        np.full(count, len(row.data), np.uint8),
        payload,
        index=index,
    )
    return (part, index[:0]) if good.all() else (part.select(good), index[~good])


def _times(
    lines: Lines, point: Int64Array, decimals: Int64Array, layout: _Layout, unit: int
) -> tuple[Int64Array, BoolArray]:
    """Times of up to twelve digits and one to eight decimals, from the place of the point. unit: nanoseconds of one."""
    look = lines.words(32)[point - _POINT].view("<u8").reshape(-1, 4)
    high, low = pad_left(look[:, 0], max(layout.digits - 8, 0)), pad_left(look[:, 1], min(layout.digits, 8))
    above, above_good = shared_decimals(high)
    below, good = decimal_words(low)
    behind = (look[:, 2] >> np.uint64(8)) | (look[:, 3] << np.uint64(56))
    fraction, fine = decimal_words(pad_right(behind, decimals))
    whole = above * 10**8 + below
    good &= above_good & fine & (whole < MAX_TIME_NS // unit)
    good &= (look[:, 2] & LOW_BYTES[1]) == layout.point
    fraction *= 10
    whole *= unit
    whole += fraction if unit == 10**9 else fraction * unit // 10**9
    return whole, good


def _identifier(
    lines: Lines, end: Int64Array, layout: _Layout, table: CsvTable
) -> tuple[NDArray[np.uint32], Int64Array, BoolArray]:
    """The identifiers that end there, how many digits each has, and which are well formed, with what stands before."""
    word: Words = lines.words(8)[end - 8].view("<u8")
    digits = first_of(word.byteswap(), layout.between[-1])
    before: Words = lines.words(8)[end - digits - 8].view("<u8")
    outside = np.uint64(8 * (8 - len(layout.between)))
    good = (before >> outside) == int.from_bytes(layout.between, "little")
    word = pad_left(word, digits)
    value, fine = hex_number(word)
    if layout.decimal:
        number, decimal = decimal_words(word)
        value, fine = number.astype(np.uint32), fine & decimal
    least, most = _identifiers(layout, table)
    good &= fine & (digits > 0) & (value >= least) & (value <= most)
    return value, digits, good


def _payload(lines: Lines, at: Int64Array, layout: _Layout) -> tuple[ByteArray, BoolArray]:
    """(n, 8) bytes of the data that begin there, and which are well formed."""
    count, length = len(at), len(layout.row.data)
    size = layout.data.stop - layout.data.start
    if layout.form is None:
        return np.zeros((count, 8), np.uint8), np.ones(count, np.bool_)
    if layout.form is _SPACED:
        text = lines.words(24)[at - 1].view(np.uint8).reshape(-1, 24)
        text[:, 0] = ord(" ")
        return spaced_hex(text, 0, np.full(count, length, np.uint8))
    words: Words = lines.words(16)[at].view("<u8").reshape(-1, 2)
    if layout.form is _JOINED:
        keep = LOW_BYTES[[min(size, 8), max(size - 8, 0)]]
        values, fine = hex_words((words & keep) | (ZEROS & ~keep))
        return payload_bytes(values), fine[:, 0] & fine[:, 1]
    payload, fine = base64_bytes(words, size)
    return clear_past(payload, np.full(count, length, np.uint8)), fine
