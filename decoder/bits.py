"""Bits out of a payload matrix: one field of every row at once."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from decoder.frames import ByteArray, Int64Array
from signal_defs.layout import SignalLayout

Windows = dict[tuple[int, bool], NDArray[np.uint64]]
WORD = 64
FLOATS: dict[int, tuple[type[np.generic], type[np.generic]]] = {
    16: (np.uint16, np.float16),
    32: (np.uint32, np.float32),
    64: (np.uint64, np.float64),
}


def network_bit(signal: SignalLayout) -> int:
    """Where a big-endian signal begins, counted from the most significant bit of byte 0."""
    return 8 * (signal.start // 8) + 7 - signal.start % 8


def last_byte(signal: SignalLayout) -> int:
    """The last byte of the payload that the signal reaches into."""
    first = network_bit(signal) if signal.byte_order == "big" else signal.start
    return (first + signal.length - 1) // 8


def extract(payload: ByteArray, signal: SignalLayout, windows: Windows, rows: Int64Array | None = None) -> NDArray[Any]:
    """The raw value of a signal in each row.

    payload: (n, width) uint8, C-contiguous, width 8 at least and wide enough for the signal unless rows is empty.
    windows: views already taken of this payload; filled here, so that the signals of a message share them.
    rows: (m,) the rows to take; None for all. Returns (m,) int64, uint64 (64 bits unsigned) or float of the signal's
    width, or (m, bytes) uint8 for a byte array and for anything over 64 bits.
    """
    if last_byte(signal) >= payload.shape[1]:
        return np.zeros(0 if rows is None else len(rows), np.int64)
    if signal.is_bytes or signal.length > WORD:
        return _byte_array(payload, signal, windows, rows)
    field = _field(payload, signal, windows, rows)
    if signal.is_float and signal.length in FLOATS:
        whole, kind = FLOATS[signal.length]
        return field.astype(whole).view(kind)
    if signal.length == WORD and not signal.signed:
        return field
    return field.view(np.int64)


def _field(payload: ByteArray, signal: SignalLayout, windows: Windows, rows: Int64Array | None) -> NDArray[np.uint64]:
    """The bits of one field as a number, sign extended if it is signed: (m,) uint64."""
    big = signal.byte_order == "big"
    start = network_bit(signal) if big else signal.start
    length = signal.length
    width = payload.shape[1]
    first = start // 8
    if (start + length - 1) // 8 - first < 8:
        at = min(first, width - 8)
        word = window(payload, at, big, windows)
        word = word if rows is None else word[rows]
        above = start - 8 * at if big else WORD - (start - 8 * at) - length  # bits over the field
    else:  # nine bytes: the word that begins with the field's first byte, and the byte after it
        word = window(payload, first, big, windows)
        after = payload[:, first + 8].astype(np.uint64)
        if rows is not None:
            word, after = word[rows], after[rows]
        bit = start % 8
        if big:
            word = (word << np.uint64(bit)) | (after >> np.uint64(8 - bit))
            above = 0
        else:
            word = (word >> np.uint64(bit)) | (after << np.uint64(WORD - bit))
            above = WORD - length
    if signal.signed and not signal.is_float:
        moved = (word << np.uint64(above)) if above else word
        return (moved.view(np.int64) >> np.int64(WORD - length)).view(np.uint64)
    below = WORD - above - length
    moved = (word >> np.uint64(below)) if below else word
    return moved & np.uint64((1 << length) - 1) if above else (moved if below or rows is not None else moved.copy())


def window(payload: ByteArray, at: int, big: bool, windows: Windows) -> NDArray[np.uint64]:
    """Eight bytes of every row from byte `at` as one number, most significant byte first if big: (n,) uint64."""
    known = windows.get((at, big))
    if known is not None:
        return known
    if big:
        word = window(payload, at, False, windows).byteswap()
    elif payload.shape[1] == 8:
        word = payload.view(np.uint64)[:, 0]
    else:
        word = np.ascontiguousarray(payload[:, at : at + 8]).view(np.uint64)[:, 0]
    windows[at, big] = word
    return word


def _byte_array(payload: ByteArray, signal: SignalLayout, windows: Windows, rows: Int64Array | None) -> ByteArray:
    """The bytes of a field in the order of the payload; a last part of a byte is padded with zero bits above."""
    pieces = []
    big = signal.byte_order == "big"
    start = network_bit(signal) if big else signal.start
    for offset in range(0, signal.length, 8):
        at = start + offset
        begin = 8 * (at // 8) + 7 - at % 8 if big else at
        part = SignalLayout("", begin, min(8, signal.length - offset), signal.byte_order)
        pieces.append(_field(payload, part, windows, rows).astype(np.uint8))
    return np.stack(pieces, axis=1)
