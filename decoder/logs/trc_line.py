"""The header of a TRC log, and one of its records that is no regular frame."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal, InvalidOperation

from decoder.frames import FD_LENGTHS, Flag, ReadReport
from decoder.logs.lines import Lines
from decoder.logs.rows import MAX_BASE_IDENTIFIER, MAX_IDENTIFIER, MAX_TIME_NS, Channels, Row

# Columns by version where the header does not name them: N number, O time, B bus, d direction or kind, I identifier,
# R reserved, L length code, D data; T kind, l length in later versions.
_COLUMNS = {
    "1.0": ("N", "O", "I", "L", "D"),
    "1.1": ("N", "O", "d", "I", "L", "D"),
    "1.2": ("N", "O", "B", "d", "I", "L", "D"),
    "1.3": ("N", "O", "B", "d", "I", "R", "L", "D"),
}
_KEY = re.compile(r"\s*;\s*\$(\w+)\s*=\s*(.*?)\s*")
_START = re.compile(
    r"\s*;\s*Start time:\s*(?:(?P<day>\d{1,2})\.(?P<month>\d{1,2})\.(?P<year>\d{4})|(?P<iso>\d{4}-\d{2}-\d{2}))[ T]"
    r"(?P<clock>\d{2}:\d{2}:\d{2})(?:\.(?P<fraction>[\d.]+))?.*",
    re.IGNORECASE,
)
_TIME = re.compile(r"(-?)(\d{1,15})(?:[.,](\d{1,6}))?")
_FRAMES = {
    "DT": Flag(0),
    "FD": Flag.FD,
    "FB": Flag.FD | Flag.BIT_RATE_SWITCH,
    "FE": Flag.FD | Flag.BIT_RATE_SWITCH | Flag.ERROR_STATE,
    "BI": Flag.FD | Flag.ERROR_STATE,
    "RR": Flag.REMOTE,
}
_NO_FRAMES = {"ST": "status", "EC": "error_counters", "EV": "other_event", "WARNG": "status"}
_DAY_NS = 86_400 * 10**9
_EPOCH_DAY = 25_569  # 1970-01-01 in days from 1899-12-30, the format's day zero
_LOCAL_NOTE = "The log's start is local time without a zone; it is taken as UTC."


@dataclass(slots=True)
class Header:
    """What the lines with a semicolon say. origin_ns: start of the log, 0 if it is not known."""

    report: ReadReport
    columns: tuple[str, ...] = _COLUMNS["1.0"]
    origin_ns: int = 0
    exact: bool = False  # the start comes from the key, not from the comment for people

    def take(self, text: str) -> None:
        """Read one line of the header; what is only a comment is left alone."""
        match = _KEY.fullmatch(text)
        if match is not None:
            self._key(match[1].upper(), match[2])
        elif not self.exact and (match := _START.fullmatch(text)) is not None:
            self._start(_comment_start(match))

    def _key(self, key: str, value: str) -> None:
        if key == "FILEVERSION":
            self.columns = _COLUMNS.get(value, self.columns)
            self.exact = False
        elif key == "COLUMNS":
            named = tuple(name.strip() for name in value.split(","))
            if len(named) <= 16 and {"O", "I"} <= set(named):
                self.columns = named
        elif key == "STARTTIME":
            start = _key_start(value)
            self.exact = start is not None
            self._start(start)

    def _start(self, start_ns: int | None) -> None:
        if start_ns is None or not 0 <= start_ns <= MAX_TIME_NS:
            note = "The log's start time cannot be read; times count from its start."
        else:
            self.origin_ns = start_ns
            note = _LOCAL_NOTE
        self.report.note(note)


def _key_start(value: str) -> int | None:
    """Days since 1899-12-30 with a fraction, exactly to the nanosecond."""
    try:
        days = Decimal(value.replace(",", "."))
    except InvalidOperation:
        return None
    return int((days - _EPOCH_DAY) * _DAY_NS) if days.is_finite() and 0 < days < 200_000 else None


def _comment_start(match: re.Match[str]) -> int | None:
    date = match["iso"] or f"{match['year']}-{match['month']:0>2}-{match['day']:0>2}"
    try:
        moment = datetime.fromisoformat(f"{date}T{match['clock']}").replace(tzinfo=UTC)
    except ValueError:
        return None
    fraction = (match["fraction"] or "").replace(".", "")[:9]  # "062.001": milliseconds, then what is below
    return int(moment.timestamp()) * 10**9 + int(fraction.ljust(9, "0"))


def parse_record(lines: Lines, index: int, header: Header, channels: Channels, report: ReadReport) -> Row | None:
    """A frame with its time from the start of the log, or None; then the report says why and where."""
    text = lines.line(index).decode("latin-1")
    if text.lstrip().startswith(";"):
        return None
    result = _parse(text, index, header, channels)
    if isinstance(result, Row):
        return result
    kind, damaged = result
    if damaged:
        lines.drop(index, kind, report)
    else:
        report.skip(kind)
    return None


def _parse(text: str, index: int, header: Header, channels: Channels) -> Row | tuple[str, bool]:
    columns = header.columns
    last_is_data = columns[-1] == "D"
    fields = text.split(maxsplit=len(columns) - 1) if last_is_data else text.split()
    value = dict(zip(columns, fields, strict=False))
    if not value.get("N", "1").removesuffix(")").isdecimal():
        return "not_a_frame", True
    match = _TIME.fullmatch(value.get("O", ""))
    if match is None:
        return "time_unreadable", True
    time_ns = int(match[2]) * 10**6 + int((match[3] or "").ljust(6, "0"))
    if match[1] or time_ns > MAX_TIME_NS:
        return "time_out_of_range", True
    kind = _kind(value)
    if not isinstance(kind, Flag):
        return kind
    channel = channels.number(value.get("B", "1"))
    if channel < 0:
        return "too_many_channels", True
    if kind & Flag.ERROR:
        return Row(index, time_ns, channel, 0, int(kind))
    return _frame(value, kind, Row(index, time_ns, channel, 0, 0))


def _kind(value: dict[str, str]) -> Flag | tuple[str, bool]:
    """Flags by the columns of kind and direction."""
    direction = value.get("d", "Rx").upper()
    kind = value.get("T", "DT").upper()
    if kind in _NO_FRAMES or direction in _NO_FRAMES:
        return _NO_FRAMES.get(kind) or _NO_FRAMES[direction], False
    if kind == "ER" or direction == "ERROR":
        return Flag.ERROR
    if value.get("I", "").upper() == "FFFFFFFF":
        return "status", False
    if kind not in _FRAMES or direction not in {"RX", "TX"}:
        return "not_a_frame", True
    return _FRAMES[kind] | (Flag.TRANSMIT if direction == "TX" else Flag(0))


def _frame(value: dict[str, str], flags: Flag, place: Row) -> Row | tuple[str, bool]:
    text = value.get("I", "")
    try:
        identifier = int(text, 16) if text.isalnum() else -1
        code = int(value["l"] if "l" in value else value["L"])
    except (ValueError, KeyError):
        return "not_a_frame", True
    extended = len(text) > 4
    if not 0 <= identifier <= (MAX_IDENTIFIER if extended else MAX_BASE_IDENTIFIER):
        return "identifier_out_of_range", True
    flags |= Flag.EXTENDED if extended else Flag(0)
    content = value.get("D", "")
    if flags & Flag.REMOTE or content.upper().startswith("RTR"):
        return Row(place.index, place.time_ns, place.channel, identifier, int(flags | Flag.REMOTE))
    try:
        data = bytes.fromhex(content)
    except ValueError:
        return "data_not_hexadecimal", True
    # "l" is the length in bytes, "L" the length code; some writers put the length of a CAN FD frame there as well.
    allowed = {code} if "l" in value else {code, FD_LENGTHS[code] if 0 <= code < len(FD_LENGTHS) else code}
    if not flags & Flag.FD:
        if len(data) > 8 and len(data) == code and code in FD_LENGTHS:
            flags |= Flag.FD  # written as classic by a writer that knows no other kind
        else:
            allowed = {min(code, 8)}
    if len(data) not in allowed or len(data) > 64:
        return "length_differs", True
    return Row(place.index, place.time_ns, place.channel, identifier, int(flags), data)
