"""One row of a table as a frame, read with care; and what the rows together tell of the table."""

from __future__ import annotations

import binascii
import re
from base64 import b64decode
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal, InvalidOperation
from statistics import median

from decoder.frames import Flag, ReadReport
from decoder.logs.csv_layout import CsvLayout, split
from decoder.logs.lin_identifier import lin_identifier
from decoder.logs.rows import MAX_BASE_IDENTIFIER, MAX_IDENTIFIER, MAX_TIME_NS, Channels, Row

_CLOCK = re.compile(r"(?:(\d{4})-(\d{2})-(\d{2})[T ])?(\d{1,2}):(\d{2}):(\d{2})(?:[.,](\d{1,9}))?(Z|\+00:00)?")
_DATE_DE = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})[T ](\S+)")
_NUMBER = re.compile(r"[+-]?\d{1,19}(?:\.\d{0,30})?(?:[eE][+-]?\d{1,3})?")
HEX_IDENTIFIER = re.compile(r"(?:0x)?([0-9a-fA-F]{1,8})([xXhH]?)")
_HEX_BYTE = re.compile(r"(?:0x)?[0-9a-fA-F]{1,2}")
_YES, _NO = {"1", "true", "yes", "ja", "x"}, {"", "0", "false", "no", "nein"}


@dataclass(slots=True)
class CsvTable:
    """A table's layout, and what its first rows told. unit: ns of one unit of time. base: of identifiers."""

    layout: CsvLayout
    unit: int
    base: int

    @property
    def has_checksum(self) -> bool:
        return "checksum" in self.layout.column


def table_of(layout: CsvLayout, sample: Iterable[str], report: ReadReport) -> CsvTable:
    """Settle what the headings leave open by the first rows, and say so in the report's notes."""
    times: list[Decimal] = []
    identifiers: list[str] = []
    for line in sample:
        cells = split(line, layout.delimiter)
        if cells is None or len(cells) != layout.count:
            continue
        identifiers.append(cells[layout.column["identifier"]])
        number = _decimal(cells[layout.column["time"]])
        if number is not None:
            times.append(number)
    unit = layout.unit or _unit_by_size(median(times) if times else Decimal(0))
    if not layout.unit and unit != 10**9:
        report.note(f"The unit of time is not named; by their size the times are in units of {unit} ns.")
    base = layout.base
    if not base:
        base = 16
        if not any(re.search(r"[a-fA-FxX]", text) for text in identifiers):
            report.note("The base of the identifiers is not named; they are taken as hexadecimal.")
    return CsvTable(layout, unit, base)


def _unit_by_size(typical: Decimal) -> int:
    """Seconds, unless so large a number can only be a date in smaller units."""
    if typical > 10**17:
        return 1
    if typical > 10**14:
        return 10**3
    return 10**6 if typical > 10**11 else 10**9


def parse_row(text: str, index: int, table: CsvTable, channels: Channels) -> Row | str:
    """The frame of a row, or what is wrong with it."""
    cells = split(text, table.layout.delimiter)
    if cells is None or len(cells) != table.layout.count:
        return "columns_differ"
    value = {role: cells[place] for role, place in table.layout.column.items()}
    time_ns = parse_csv_time(value["time"], table)
    if isinstance(time_ns, str):
        return time_ns
    found = _identifier(value, table)
    if isinstance(found, str):
        return found
    identifier, flags = found
    checksum = _byte(value.get("checksum", ""))
    if checksum is None:
        return "checksum_unreadable"
    content = [cells[place] for place in table.layout.bytes] if table.layout.bytes else value["data"]
    length = value.get("length", "")
    if length and not length.isdecimal():
        return "length_unreadable"
    data = _data(content, int(length) if length else None, table.layout.base64)
    if data is None:
        return "data_unreadable"
    if flags & (Flag.REMOTE | Flag.ERROR):
        data = b"" if flags & Flag.REMOTE or not flags & Flag.LIN else data
    elif length and len(data) != int(length):
        return "length_differs"
    if len(data) > 64 or (flags & Flag.LIN and len(data) > 8):
        return "length_differs"
    if len(data) > 8:
        flags |= Flag.FD
    channel = channels.number(value.get("channel", "")[:64])
    if channel < 0:
        return "too_many_channels"
    return Row(index, time_ns, channel, identifier, int(flags), data, checksum)


def _decimal(text: str) -> Decimal | None:
    text = text.replace(",", ".")
    if _NUMBER.fullmatch(text) is None:
        return None
    try:
        return Decimal(text)
    except InvalidOperation:
        return None


def parse_csv_time(text: str, table: CsvTable) -> int | str:
    """Nanoseconds of a number, a date with a time, or a time of day; or what is wrong with it."""
    number = _decimal(text)
    if number is not None:
        time_ns = int(number * table.unit)
        return time_ns if number >= 0 and time_ns <= MAX_TIME_NS else "time_out_of_range"
    german = _DATE_DE.fullmatch(text)
    if german is not None:
        text = f"{german[3]}-{german[2]:0>2}-{german[1]:0>2} {german[4]}"
    match = _CLOCK.fullmatch(text)
    if match is None:
        return "time_unreadable"
    year, month, day, hour, minute, second = (int(part or 0) for part in match.groups()[:6])
    fraction = int((match[7] or "").ljust(9, "0"))
    if not year:
        return (hour * 3600 + minute * 60 + second) * 10**9 + fraction
    try:
        moment = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return "time_unreadable"
    time_ns = int(moment.timestamp()) * 10**9 + fraction
    return time_ns if 0 <= time_ns <= MAX_TIME_NS else "time_out_of_range"


def _identifier(value: Mapping[str, str], table: CsvTable) -> tuple[int, Flag] | str:
    """Identifier and all flags of the row but CAN FD."""
    flags = Flag(0)
    for role, flag in (("extended", Flag.EXTENDED), ("remote", Flag.REMOTE), ("error", Flag.ERROR), ("fd", Flag.FD)):
        text = value.get(role, "").lower()
        if text in _YES:
            flags |= flag
        elif text not in _NO:
            return "flag_unreadable"
    if value.get("direction", "").lower() in {"tx", "t", "1", "transmit", "gesendet"}:
        flags |= Flag.TRANSMIT
    match = HEX_IDENTIFIER.fullmatch(value["identifier"])
    if match is None:
        return (0, flags) if flags & Flag.ERROR else "identifier_unreadable"
    decimal = table.base == 10 and match[0] == match[1] and match[1].isdecimal()
    number = int(match[1], 10 if decimal else 16)
    if _is_lin(value, number, table):
        if number > 0xFF:
            return "identifier_out_of_range"
        identifier, parity = lin_identifier(number)
        return identifier, (flags & ~Flag.EXTENDED) | Flag.LIN | parity
    if match[2] in {"x", "X"} or (number > MAX_BASE_IDENTIFIER and "extended" not in value):
        flags |= Flag.EXTENDED
    limit = MAX_IDENTIFIER if flags & Flag.EXTENDED else MAX_BASE_IDENTIFIER
    return (number, flags) if number <= limit else "identifier_out_of_range"


def _is_lin(value: Mapping[str, str], number: int, table: CsvTable) -> bool:
    """LIN by the word for the bus or the channel; else by a checksum, which no CAN log has."""
    protocol = value.get("protocol", "").lower()
    if "lin" in protocol or "can" in protocol:
        return "lin" in protocol
    channel = value.get("channel", "").lower()
    if "lin" in channel or "can" in channel:
        return "lin" in channel
    return table.has_checksum and number <= 0xFF


def _byte(text: str) -> int | None:
    """A byte in hexadecimal; -1 if the cell is empty, None if it is no byte."""
    if text in {"", "-"}:
        return -1
    return int(text, 16) if _HEX_BYTE.fullmatch(text) else None


def _data(content: str | list[str], length: int | None, base64: bool) -> bytes | None:
    """Data bytes: hexadecimal with or without separators, or base64 where the table may hold it."""
    if isinstance(content, list):
        present = [cell for cell in content if cell not in {"", "-"}]
        if length is not None and len(present) > length:
            present = present[:length]
        return _hex_bytes(present)
    if base64 and not is_hexadecimal(content, length):
        try:
            return b64decode(content, validate=True)
        except (binascii.Error, ValueError):
            return None
    pieces = re.split(r"[ \-:.]+", content.strip()) if content.strip() else []
    if len(pieces) == 1 and len(pieces[0]) > 2:
        text = pieces[0].removeprefix("0x")
        try:
            return bytes.fromhex(text)
        except ValueError:
            return None
    return _hex_bytes(pieces)


def _hex_bytes(cells: list[str]) -> bytes | None:
    if not all(_HEX_BYTE.fullmatch(cell) for cell in cells):
        return None
    return bytes(int(cell, 16) for cell in cells)


def is_hexadecimal(text: str, length: int | None) -> bool:
    """Whether the data must be hexadecimal: two digits a byte; base64 of that length always ends in "="."""
    return length is not None and len(text) == 2 * length and re.fullmatch(r"[0-9a-fA-F]*", text) is not None
