"""Which column of a table holds what: by its heading, English or German, or as the caller says."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass

from signal_defs.errors import UsageError

_HEADINGS = {
    "time": "time timestamp zeit zeitstempel t timeoffset zeitpunkt abstime reltime",
    "channel": "channel chn ch bus kanal interface buschannel canchannel linchannel busname",
    "identifier": "identifier id canid linid arbitrationid arbid messageid msgid frameid pid kennung botschaftsid",
    "data": "data payload daten databytes nutzdaten bytes datenbytes datahex hexdata",
    "length": "length dlc len datalength länge laenge datenlänge datenlaenge",
    "checksum": "checksum chksum cs prüfsumme pruefsumme",
    "extended": "extended ext ide isextended isextendedid extendedid erweitert",
    "remote": "remote rtr isremote isremoteframe",
    "error": "error fehler iserror iserrorframe errorframe",
    "direction": "direction dir rxtx richtung",
    "protocol": "protocol protokoll bustype bustyp frametype",
    "fd": "fd isfd canfd",
}
ROLES = frozenset(_HEADINGS)
_ROLE = {word: role for role, words in _HEADINGS.items() for word in words.split()}
_BYTE = re.compile(r"(?:d|b|data|byte|db|datenbyte|databyte)(\d{1,2})")
_UNITS = {"s": 10**9, "sec": 10**9, "ms": 10**6, "us": 10**3, "µs": 10**3, "μs": 10**3, "ns": 1}
_BRACKET = re.compile(r"[\[(]([^\[\]()]{0,20})[\])]")
_OWN_ROW = re.compile(r"-?[0-9][0-9.e+-]*,0x[0-9a-fA-F]+,[01],[01],[01],[0-9]+,[A-Za-z0-9+/=]*")
_OWN = ("timestamp", "arbitration_id", "extended", "remote", "error", "dlc", "data")  # what python-can writes
MAX_COLUMNS = 256


@dataclass(frozen=True, slots=True)
class CsvLayout:
    """Columns of a table. column: role -> its place, of `ROLES`. bytes: places of the columns of one data byte each.

    unit: nanoseconds of one unit of time, 0 if the heading does not say. base: 10 or 16 of identifiers, 0 if not known.
    has_header: the first line holds headings. base64: the data are base64 where they are not clearly hexadecimal.
    """

    delimiter: str
    count: int
    column: Mapping[str, int]
    bytes: tuple[int, ...] = ()
    unit: int = 0
    base: int = 0
    has_header: bool = True
    base64: bool = False

    def is_complete(self) -> bool:
        """Whether there is enough to make frames of rows."""
        return {"time", "identifier"} <= set(self.column) and ("data" in self.column or bool(self.bytes))


def find_layout(line: str, named: Mapping[str, str] | None = None) -> CsvLayout | None:
    """The layout that a first line tells; None if it is no such line.

    named: role -> heading, as the caller says; what it does not name is found by heading. Raises UsageError if a named
    heading is not there or a role is unknown.
    """
    line = line.removeprefix("\ufeff").strip()
    if not named and _OWN_ROW.fullmatch(line):
        return CsvLayout(",", 7, _own_columns(), unit=10**9, base=16, has_header=False, base64=True)
    delimiter = max(",;\t", key=line.count)
    if not line.count(delimiter):
        return None
    cells = split(line, delimiter)
    if cells is None or len(cells) > MAX_COLUMNS:
        return None
    if tuple(cells) == _OWN and not named:
        return CsvLayout(",", 7, _own_columns(), unit=10**9, base=16, base64=True)
    column, data = _columns(cells)
    for role, heading in (named or {}).items():
        column[role] = _named(role, heading, cells)
    layout = CsvLayout(
        delimiter,
        len(cells),
        column,
        data if "data" not in column else (),
        _unit(cells[column["time"]]) if "time" in column else 0,
        _base(cells[column["identifier"]]) if "identifier" in column else 0,
    )
    return layout if layout.is_complete() else None


def split(line: str, delimiter: str) -> list[str] | None:
    """The cells of a line, without the blanks around them; None if it is no line of a table."""
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, strict=True))]
    except (csv.Error, StopIteration):
        return None


def _own_columns() -> dict[str, int]:
    return {_ROLE[name.replace("_", "")]: place for place, name in enumerate(_OWN)}


def _columns(cells: list[str]) -> tuple[dict[str, int], tuple[int, ...]]:
    """Roles found by heading, the first of each; and the columns of single data bytes in their order."""
    column: dict[str, int] = {}
    data: dict[int, int] = {}
    for place, cell in enumerate(cells):
        word = re.sub(r"[\W_]+", "", _BRACKET.sub("", cell).lower())
        byte = _BYTE.fullmatch(word)
        if byte is not None:
            data[int(byte[1])] = place
            continue
        role = _ROLE.get(word) or _ROLE.get(re.sub(r"(?:s|ms|us|ns|hex|dec)$", "", word))
        if role is not None:
            column.setdefault(role, place)
    return column, tuple(data[number] for number in sorted(data))


def _named(role: str, heading: str, cells: list[str]) -> int:
    if role not in ROLES:
        raise UsageError(f'A column cannot hold "{role}".', mend=f"Use one of: {', '.join(sorted(ROLES))}.")
    for place, cell in enumerate(cells):
        if cell.lower() == heading.strip().lower():
            return place
    raise UsageError(f'The table has no column "{heading}".', mend=f"Its columns are: {', '.join(cells[:20])}.")


def _unit(heading: str) -> int:
    match = _BRACKET.search(heading)
    word = match[1].strip().lower() if match is not None else heading.lower().rpartition("_")[2]
    return _UNITS.get(word, 0)


def _base(heading: str) -> int:
    lower = heading.lower()
    if "hex" in lower:
        return 16
    return 10 if re.search(r"dec|dez", lower) else 0
