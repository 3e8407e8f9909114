"""Frames as the text that can-utils' candump logs, plain or compressed."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from decoder.frames import Flag, FrameBatch

_HEX = np.frombuffer("".join(f"{value:02X}" for value in range(256)).encode(), np.uint8).reshape(256, 2)
_DIGITS = np.frombuffer(b"0123456789", np.uint8)


def write_candump(path: Path, frames: FrameBatch) -> None:
    """Write "(seconds.micros) channel identifier#data" lines; a name that ends in .gz is compressed.

    CAN identifiers of 11 bits and LIN identifiers take three digits, 29 bits take eight. CAN FD frames are "##0data",
    remote frames "#R".
    Source: can-utils, candump's log format. A LIN line is logged like a network device of its own.
    """
    text = candump_text(frames)
    path.write_bytes(gzip.compress(text, 6, mtime=0) if path.suffix == ".gz" else text)


def candump_text(frames: FrameBatch) -> bytes:
    """All lines. Unused places in the (n, width) character table stay 0 and are left out in the end."""
    n = len(frames)
    names = max(len(name) for name in frames.channels)
    width = max(int(frames.length.max(initial=0)), 1)
    table = np.zeros((n, 1 + 10 + 1 + 6 + 2 + names + 1 + 8 + 3 + 2 * width + 1), np.uint8)
    table[:, 0] = ord("(")
    micros = frames.time_ns // 1000
    table[:, 1:11] = decimal_digits(micros // 1_000_000, 10)
    table[:, 11] = ord(".")
    table[:, 12:18] = decimal_digits(micros % 1_000_000, 6)
    table[:, 18:20] = np.frombuffer(b") ", np.uint8)
    for index, name in enumerate(frames.channels):
        table[frames.channel == index, 20 : 20 + len(name)] = np.frombuffer(name.encode(), np.uint8)
    at = 20 + names
    table[:, at] = ord(" ")
    table[:, at + 1 : at + 9] = _identifier_digits(frames)
    table[:, at + 9] = ord("#")
    table[frames.flags & Flag.FD != 0, at + 10 : at + 12] = np.frombuffer(b"#0", np.uint8)
    table[frames.flags & Flag.REMOTE != 0, at + 10] = ord("R")
    present = np.arange(width) < frames.length[:, None]
    table[:, at + 12 : -1] = np.where(np.repeat(present, 2, axis=1), hex_digits(frames.payload[:, :width]), 0)
    table[:, -1] = ord("\n")
    text: bytes = table[table != 0].tobytes()
    return text


def decimal_digits(number: NDArray[np.int64], places: int) -> NDArray[np.uint8]:
    """Characters (n, places), leading zeros included."""
    powers = 10 ** np.arange(places - 1, -1, -1, dtype=np.int64)
    digits: NDArray[np.uint8] = _DIGITS[number[:, None] // powers % 10]
    return digits


def hex_digits(data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Two characters a byte: (n, width) -> (n, 2 * width)."""
    return _HEX[data].reshape(len(data), -1)


def _identifier_digits(frames: FrameBatch) -> NDArray[np.uint8]:
    digits = hex_digits(frames.identifier.astype(">u4").view(np.uint8).reshape(-1, 4))
    short = (frames.flags & 1) == 0
    digits[short, :5] = 0
    return digits
