"""One line of an ASC log that is no regular CAN frame: CAN FD, remote, error and LIN frames, all other events."""

from __future__ import annotations

import re
from dataclasses import dataclass

from decoder.frames import Flag
from decoder.logs.lin_identifier import lin_identifier
from decoder.logs.rows import MAX_BASE_IDENTIFIER, MAX_IDENTIFIER, MAX_TIME_NS

_TIMED = re.compile(r"(-?)(\d{1,12})[.,](\d{1,9})\s+(\S.*)", re.DOTALL)
_CAN = re.compile(
    r"(?P<channel>\d{1,3})\s+(?P<identifier>\S{1,80})\s+(?P<direction>Rx|Tx|TxRq)\s+(?P<kind>[dr])\b\s*(?P<rest>.*)"
)
_ERROR = re.compile(r"(?P<channel>\d{1,3})\s+ErrorFrame\b.*", re.IGNORECASE)
_FD_ERROR = re.compile(r"CANFD\s+(?P<channel>\d{1,3})\s+(?:(?:Rx|Tx)\s+)?ErrorFrame\b.*", re.IGNORECASE)
_FD = re.compile(
    r"CANFD\s+(?P<channel>\d{1,3})\s+(?P<direction>Rx|Tx|TxRq)\s+(?P<identifier>\S{1,80})\s+(?:(?P<name>[^\d\s]\S*)\s+)?"
    r"(?P<switch>[01])\s+(?P<state>[01])\s+(?P<code>[0-9a-f]{1,2})\s+(?P<length>\d{1,2})(?P<rest>(?:\s.*)?)",
    re.IGNORECASE,
)
_LIN = re.compile(r"(?P<channel>Li|L\d{1,3})\s+(?P<rest>\S.*)")
_LIN_FRAME = re.compile(
    r"(?P<identifier>[0-9A-Fa-f]{1,3})\s+(?P<error>CSErr\s+)?(?P<direction>Rx|Tx)\s+(?P<length>\d{1,2})(?P<rest>(?:\s.*)?)"
)
_LIN_ERROR = re.compile(
    r"(?:(?P<identifier>[0-9A-Fa-f]{1,3})\s+)?(?:\d{1,2}\s+)?"
    r"(?P<kind>TransmErr|RcvErr|RcvError|SyncErr|ShortOrSlowResponse|HeaderErr)\b.*",
)
_CHECKSUM = re.compile(r"\bchecksum\s*=\s*(\d{1,3})\b")
_NUMBER_BEHIND = re.compile(r"\bID\s*=\s*(\d{1,10})(x?)\b")
FD_FORMAT, FD_REMOTE = 0x1000, 0x10  # bits of a CANFD line's flags: EDL and remote frame; from memory

NO_FLAG = Flag(0)


@dataclass(frozen=True, slots=True)
class Event:
    """What a line says. time_ns: as written, None if the line has none. frame: None for all but frames.

    dropped: kind of damage. skipped: kind of a well-formed line without frame.
    """

    time_ns: int | None = None
    frame: Frame | None = None
    dropped: str = ""
    skipped: str = ""


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame; channel as the log calls it."""

    channel: str
    identifier: int = 0
    flags: Flag = NO_FLAG
    data: bytes = b""
    checksum: int = -1


def parse_event(text: str, base: int) -> Event:
    """Read a line that is no header, without blanks around it. base: 16 or 10, of identifiers and data."""
    match = _TIMED.fullmatch(text)
    if match is None:
        if text.startswith("//"):
            return Event(skipped="comment")
        return Event(dropped="not_a_frame")
    time_ns = int(match[2]) * 10**9 + int(match[3].ljust(9, "0"))
    if match[1] or time_ns > MAX_TIME_NS:
        return Event(dropped="time_out_of_range")
    found = _content(match[4], base)
    if isinstance(found, Frame):
        return Event(time_ns, found)
    kind, damaged = found
    return Event(time_ns, dropped=kind) if damaged else Event(time_ns, skipped=kind)


def _content(text: str, base: int) -> Frame | tuple[str, bool]:
    """The frame behind the time; or what else it is and whether that means damage."""
    if text[0] == "L" and (match := _LIN.fullmatch(text)) is not None:
        return _lin(match["channel"], match["rest"], base)
    if (match := _CAN.fullmatch(text)) is not None:
        return _can(match, base)
    if (match := _ERROR.fullmatch(text) or _FD_ERROR.fullmatch(text)) is not None:
        return Frame(match["channel"], flags=Flag.ERROR)
    if text[:5].upper() == "CANFD":
        match = _FD.fullmatch(text)
        return ("not_a_frame", True) if match is None else _fd(match, base)
    return _other(text)


def _other(text: str) -> tuple[str, bool]:
    lower = text.lower()
    if "statistic:" in lower:
        return "statistic", False
    if "j1939tp" in lower:
        return "j1939_transport", False  # its single frames are lines of their own
    if lower.startswith("can ") and "status" in lower:
        return "status", False
    if text[0].isalpha() and text.isprintable():
        return "other_event", False
    return "not_a_frame", True


def _can(match: re.Match[str], base: int) -> Frame | tuple[str, bool]:
    if match["direction"] == "TxRq":
        return "transmit_request", False
    found = _identifier(match["identifier"], match["rest"], base)
    if isinstance(found, str):
        return found, True
    identifier, flags = found
    if match["direction"] == "Tx":
        flags |= Flag.TRANSMIT
    if match["kind"] == "r":
        return Frame(match["channel"], identifier, flags | Flag.REMOTE)
    code, _, rest = match["rest"].partition(" ")
    try:
        length = min(int(code, 16), 8)  # a classic frame has eight bytes at most, whatever its code says: ISO 11898-1
    except ValueError:
        return "length_unreadable", True
    data = _data(rest.split(), length, base)
    return Frame(match["channel"], identifier, flags, data) if isinstance(data, bytes) else (data, True)


def _fd(match: re.Match[str], base: int) -> Frame | tuple[str, bool]:
    if match["direction"].lower() == "txrq":
        return "transmit_request", False
    found = _identifier(match["identifier"], "", base)
    if isinstance(found, str):
        return found, True
    identifier, flags = found
    if match["direction"].lower() == "tx":
        flags |= Flag.TRANSMIT
    length = int(match["length"])
    fields = match["rest"].split()
    if length > 64:
        return "length_differs", True
    data = _data(fields, length, base)
    if isinstance(data, str):
        return data, True
    bits = _hexadecimal(fields[length + 2]) if len(fields) > length + 2 else FD_FORMAT
    if bits is None or bits & FD_FORMAT or length > 8:
        flags |= Flag.FD
        flags |= Flag.BIT_RATE_SWITCH if match["switch"] == "1" else Flag(0)
        flags |= Flag.ERROR_STATE if match["state"] == "1" else Flag(0)
    elif bits & FD_REMOTE:
        flags |= Flag.REMOTE
        data = b""
    return Frame(match["channel"], identifier, flags, data)


def _lin(channel: str, text: str, base: int) -> Frame | tuple[str, bool]:
    match = _LIN_FRAME.fullmatch(text)
    if match is not None:
        return _lin_frame(channel, match, base)
    match = _LIN_ERROR.fullmatch(text)
    if match is None:
        return "lin_event", False
    flags = Flag.LIN | Flag.ERROR
    if match["kind"] == "TransmErr":  # nobody answered the header
        flags |= Flag.NO_RESPONSE
    try:
        number = int(match["identifier"] or "0", base)
    except ValueError:
        return "identifier_unreadable", True
    if number > 0xFF:
        return "identifier_out_of_range", True
    identifier, parity = lin_identifier(number)
    return Frame(channel, identifier, flags | parity)


def _lin_frame(channel: str, match: re.Match[str], base: int) -> Frame | tuple[str, bool]:
    try:
        number = int(match["identifier"], base)
    except ValueError:
        return "identifier_unreadable", True
    length = int(match["length"])
    if length > 8 or number > 0xFF:
        return ("length_differs" if length > 8 else "identifier_out_of_range"), True
    data = _data(match["rest"].split(), length, base)
    if isinstance(data, str):
        return data, True
    identifier, flags = lin_identifier(number)
    flags |= Flag.LIN
    if match["direction"] == "Tx":
        flags |= Flag.TRANSMIT
    if match["error"]:
        flags |= Flag.ERROR | Flag.BAD_CHECKSUM
    checksum = _CHECKSUM.search(match["rest"])
    value = int(checksum[1]) if checksum is not None else -1
    return Frame(channel, identifier, flags, data, value if value <= 0xFF else -1)


def _identifier(text: str, rest: str, base: int) -> tuple[int, Flag] | str:
    """Identifier and flags of a CAN frame.

    A symbolic name has its number behind the data where the logger wrote it (`ID = 418119424x`, always decimal).
    """
    extended = text[-1] in "xX"
    try:
        number = int(text[:-1] if extended else text, base) if "_" not in text else -1
    except ValueError:
        number = -1
    if number < 0 or number > (MAX_IDENTIFIER if extended else MAX_BASE_IDENTIFIER):
        behind = _NUMBER_BEHIND.search(rest)
        if behind is None:
            return "symbolic_name" if number < 0 else "identifier_out_of_range"
        number, extended = int(behind[1]), behind[2] == "x"
    if number > (MAX_IDENTIFIER if extended else MAX_BASE_IDENTIFIER):
        return "identifier_out_of_range"
    return number, Flag.EXTENDED if extended else Flag(0)


def _data(fields: list[str], length: int, base: int) -> bytes | str:
    """The first `length` fields as bytes; or what is wrong with them."""
    if len(fields) < length:
        return "length_differs"
    if base == 16:
        joined = "".join(fields[:length])
        if len(joined) == 2 * length and max(map(len, fields[:length]), default=2) == 2:
            try:
                return bytes.fromhex(joined)
            except ValueError:
                return "data_unreadable"
    digits = 2 if base == 16 else 3
    data = bytearray()
    for field in fields[:length]:
        if not 1 <= len(field) <= digits or not field.isalnum() or not field.isascii():
            return "data_unreadable"
        try:
            data.append(int(field, base))
        except ValueError:
            return "data_unreadable"
    return bytes(data)


def _hexadecimal(text: str) -> int | None:
    try:
        return int(text, 16)
    except ValueError:
        return None
