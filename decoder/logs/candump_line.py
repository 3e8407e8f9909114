"""One unusual line of a SocketCAN text log, read with care; and which clock such a log uses."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from decoder.frames import Flag, FrameBatch, Int64Array, ReadReport
from decoder.logs.lines import Lines
from decoder.logs.rows import MAX_BASE_IDENTIFIER, MAX_IDENTIFIER, MAX_TIME_NS, Channels, Row

_LAYOUT = re.compile(
    r"\s*(?:\((?P<time>[^)]{1,40})\)\s+)?(?P<channel>\S{1,64})\s+(?:(?P<direction>[RT]X)\s+[-BE ]{1,6}\s+)?"
    r"(?P<identifier>[0-9A-Fa-f]{1,8})"
    r"(?:(?P<log>#\S*)|\s+\[\s*(?P<count>[0-9]{1,4})\]\s*(?P<console>.*?))(?:\s+(?P<end>[RT]))?\s*"
)
_SECONDS = re.compile(r"(-?)([0-9]{1,18})\.([0-9]{1,9})")
_CALENDAR = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})[ T]([0-9]{2}):([0-9]{2}):([0-9]{2})\.([0-9]{1,9})")
_REMOTE = re.compile(r"[Rr]([0-9A-Fa-f]?)(?:_([0-9A-Fa-f]))?")
_CLASSIC = re.compile(r"((?:[0-9A-Fa-f]{2}|\.)*)(?:_([0-9A-Fa-f]))?")
_FD = re.compile(r"#([0-9A-Fa-f])((?:[0-9A-Fa-f]{2}|\.)*)")
_XL = re.compile(r"(?:##|[0-9A-Fa-f]{2}:)")
_CONSOLE_BYTES = re.compile(r"(?:[0-9A-Fa-f]{2}(?:\s+|$))*")
_LOCAL_NOTE = "The log's dates carry no time zone; they are taken as UTC."


def parse_line(lines: Lines, index: int, channels: Channels, report: ReadReport) -> Row | None:
    """A frame, or None if the line holds none; then the report says why and where."""
    text = lines.line(index).decode("ascii", "replace")
    match = _LAYOUT.fullmatch(text)
    if match is None:
        if _is_comment(text):
            report.skip("comment")
        else:
            lines.drop(index, "not_a_frame", report)
        return None
    result = _parse(match, index, channels, report)
    if isinstance(result, Row):
        return result
    if result == "can_xl":
        report.skip(result)
    else:
        lines.drop(index, result, report)
    return None


def _is_comment(text: str) -> bool:
    return text.lstrip().startswith(("#", "//", ";")) or not text.strip()


def _parse(match: re.Match[str], index: int, channels: Channels, report: ReadReport) -> Row | str:
    """The frame, or what is wrong with it."""
    if match["time"] is None:
        return "no_time"
    time_ns = parse_time(match["time"], report)
    if isinstance(time_ns, str):
        return time_ns
    if match["log"] is not None and _XL.match(match["log"], 1):
        return "can_xl"
    identifier = _identifier(match["identifier"])
    if isinstance(identifier, str):
        return identifier
    number, flags = identifier
    if match["end"] == "T" or match["direction"] == "TX":
        flags |= Flag.TRANSMIT
    content = (
        _log_content(match["log"][1:])
        if match["log"] is not None
        else _console_content(match["count"], match["console"])
    )
    if isinstance(content, str):
        return content
    data, more = content
    if not match["channel"].isprintable():
        return "not_a_frame"
    channel = channels.number(match["channel"])
    if channel < 0:
        return "too_many_channels"
    if flags & Flag.ERROR:
        more &= ~Flag.REMOTE
    return Row(index, time_ns, channel, number, int(flags | more), data)


def parse_time(text: str, report: ReadReport) -> int | str:
    """Nanoseconds of a time in brackets, exactly; or what is wrong with it."""
    match = _SECONDS.fullmatch(text)
    if match is not None:
        time_ns = int(match[2]) * 10**9 + int(match[3].ljust(9, "0"))
        return "time_out_of_range" if match[1] or time_ns > MAX_TIME_NS else time_ns
    match = _CALENDAR.fullmatch(text)
    if match is None:
        return "time_unreadable"
    try:
        moment = datetime(*(int(part) for part in match.groups()[:6]), tzinfo=UTC)  # type: ignore[misc, arg-type]
    except ValueError:
        return "time_unreadable"
    report.note(_LOCAL_NOTE)
    time_ns = int(moment.timestamp()) * 10**9 + int(match[7].ljust(9, "0"))
    return time_ns if 0 <= time_ns <= MAX_TIME_NS else "time_out_of_range"


def _identifier(text: str) -> tuple[int, Flag] | str:
    """Identifier and flags; eight digits are a 29-bit identifier, of which bit 29 marks an error frame."""
    number = int(text, 16)
    if len(text) == 8:
        number &= 0x7FFFFFFF if number & 0x80000000 else 0xFFFFFFFF
        if number & 0x40000000:
            return "identifier_out_of_range"
        flags = Flag.EXTENDED | (Flag.ERROR if number & 0x20000000 else Flag(0))
        return number & MAX_IDENTIFIER, flags
    if len(text) > 3 or number > MAX_BASE_IDENTIFIER:
        return "identifier_out_of_range"
    return number, Flag(0)


def _log_content(text: str) -> tuple[bytes, Flag] | str:
    """What follows the first "#" of the log layout."""
    match = _REMOTE.fullmatch(text)
    if match is not None:
        return b"", Flag.REMOTE
    match = _CLASSIC.fullmatch(text)
    if match is not None:
        data = bytes.fromhex(match[1].replace(".", ""))
        return (data, Flag(0)) if len(data) <= 8 else "too_many_bytes"
    match = _FD.fullmatch(text)
    if match is None:
        return "data_not_hexadecimal"
    data = bytes.fromhex(match[2].replace(".", ""))
    if len(data) > 64:
        return "too_many_bytes"
    flags = Flag.FD
    bits = int(match[1], 16)
    if bits & 1:
        flags |= Flag.BIT_RATE_SWITCH
    if bits & 2:
        flags |= Flag.ERROR_STATE
    return data, flags


def _console_content(count: str, text: str) -> tuple[bytes, Flag] | str:
    """What follows the length in brackets of the console layout; two digits there mean CAN FD."""
    length = int(count)
    if length > 64:
        return "can_xl"
    fd = len(count) == 2
    flags = Flag.FD if fd else Flag(0)
    if text.startswith("remote request"):
        return b"", Flag.REMOTE
    text = text.partition("'")[0].partition("  ERRORFRAME")[0].strip()
    if text == "ERRORFRAME":
        text = ""
    if _CONSOLE_BYTES.fullmatch(text) is None:
        return "data_not_hexadecimal"
    data = bytes.fromhex(text)
    if len(data) != length or (not fd and length > 8):
        return "length_differs"
    return data, flags


class Clock:
    """Turns times between frames (`candump -td`) into times from the start.

    A log counts from frame to frame if it begins at zero and its first times do not rise as a clock does: a fifth of
    them fall, or all are the same. Common practice, no source: the format has no mark for it.
    """

    def __init__(self, report: ReadReport) -> None:
        self._report = report
        self._between = False
        self._sum = 0
        self._known = False

    def settle(self, batch: FrameBatch) -> FrameBatch:
        """The batch with times from one origin."""
        time_ns = batch.time_ns
        if not self._known:
            self._known = True
            self._between = _counts_between(time_ns[:1000])
            if self._between:
                self._report.note("The log's times count from frame to frame; they were added up.")
        if not self._between:
            return batch
        summed = self._sum + np.cumsum(time_ns)
        self._sum = int(summed[-1])
        return replace(batch, time_ns=summed)


def _counts_between(time_ns: Int64Array) -> bool:
    if len(time_ns) < 4 or time_ns[0] != 0:
        return False
    steps = np.diff(time_ns[1:])
    return bool(np.mean(steps < 0) >= 0.2 or (time_ns[1] > 0 and not steps.any()))
