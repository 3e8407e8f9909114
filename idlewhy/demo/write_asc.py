"""Frames as an ASC text log: CAN lines and LIN lines."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from decoder.frames import Flag, FrameBatch
from idlewhy.candump import decimal_digits, hex_digits

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_LIN_MODEL = b"  CSM = enhanced"


def write_asc(path: Path, frames: FrameBatch) -> None:
    """Write an ASC log, hexadecimal, times in seconds from the measurement's start; both buses are channel 1.

    Identifiers and data are hexadecimal, a LIN line's length and checksum decimal; 29-bit identifiers end in x.
    Source: the layout that open readers of the format agree on, and their sample logs.
    """
    start_ns = int(frames.time_ns[0]) // 1_000_000_000 * 1_000_000_000
    date = _date(start_ns)
    head = f"date {date}\nbase hex  timestamps absolute\ninternal events logged\nBegin TriggerBlock {date}\n"
    head += "   0.000000 Start of measurement\n"
    path.write_bytes(head.encode() + _lines(frames, start_ns) + b"End TriggerBlock\n")


def _date(time_ns: int) -> str:
    """As the format writes it, in English whatever the locale: Mon Mar 10 09:00:00.000 pm 2025."""
    t = datetime.fromtimestamp(time_ns // 1_000_000_000, UTC)
    half = "am" if t.hour < 12 else "pm"
    hour = (t.hour - 1) % 12 + 1
    return f"{_DAYS[t.weekday()]} {_MONTHS[t.month - 1]} {t.day:02} {hour:02}:{t:%M:%S}.000 {half} {t.year}"


def _lines(frames: FrameBatch, start_ns: int) -> bytes:
    """All lines, each padded with zero bytes that are left out in the end."""
    n = len(frames)
    is_lin = frames.flags & Flag.LIN != 0
    extended = frames.flags & Flag.EXTENDED != 0
    micros = (frames.time_ns - start_ns) // 1000
    data = np.full((n, 8, 3), ord(" "), np.uint8)
    data[:, :, 1:] = hex_digits(frames.payload[:, :8]).reshape(n, 8, 2)
    data[np.arange(8) >= frames.length[:, None]] = 0
    suffix = np.where(extended, ord("x"), ord(" ")).astype(np.uint8)[:, None]
    length = frames.length[:, None] + np.uint8(ord("0"))
    checksum = np.zeros(n, np.int64) if frames.checksum is None else np.maximum(frames.checksum, 0).astype(np.int64)
    parts = [
        _leading_blanks(decimal_digits(micros // 1_000_000, 6)),
        _text(n, b"."),
        decimal_digits(micros % 1_000_000, 6),
        np.where(is_lin[:, None], _text(n, b" L1 "), _text(n, b" 1  ")),
        _leading_blanks(hex_digits(frames.identifier.astype(">u4").view(np.uint8).reshape(-1, 4))),
        suffix,
        np.where(is_lin[:, None], _text(n, b" Rx   "), _text(n, b" Rx d ")),
        length,
        data.reshape(n, 24),
        _only(is_lin, _text(n, b"  checksum = ")),
        _only(is_lin, _leading_blanks(decimal_digits(checksum, 3))),
        _only(is_lin, _text(n, _LIN_MODEL)),
        _text(n, b"\n"),
    ]
    table = np.concatenate(parts, axis=1)
    text: bytes = table[table != 0].tobytes()
    return text


def _text(n: int, text: bytes) -> NDArray[np.uint8]:
    return np.tile(np.frombuffer(text, np.uint8), (n, 1))


def _only(rows: NDArray[np.bool_], characters: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.where(rows[:, None], characters, np.uint8(0))


def _leading_blanks(digits: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Blanks for leading zeros; the last digit stays."""
    leading = np.logical_and.accumulate(digits == ord("0"), axis=1)
    leading[:, -1] = False
    return np.where(leading, np.uint8(ord(" ")), digits)
