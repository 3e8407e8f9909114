"""Physical values into payload bytes, whole columns at once: the demo's own encoder, apart from the decoder."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from signal_defs.layout import MessageLayout, SignalLayout

ByteArray = NDArray[np.uint8]


def pack(message: MessageLayout, values: Mapping[str, NDArray[np.floating]], rows: int) -> ByteArray:
    """Payloads of a message, (rows, message.length) uint8.

    values: signal name -> (rows,) physical values; NaN becomes the signal's "not available" code. Signals left out
    are "not available" where the definition has a code for it, else raw 0. Values beyond the field are held at its
    ends, below any "not available" code. Raises KeyError for a name the message does not have.
    Multiplexed and float signals are not packed: the demo's platforms have none.
    """
    payload = np.zeros((rows, message.length), np.uint8)
    for name in values:
        message.signal(name)
    for signal in message.signals:
        raw = _raw(signal, values.get(signal.name, np.full(rows, np.nan)))
        _place(payload, signal, raw)
    return payload


def _raw(signal: SignalLayout, physical: NDArray[np.floating]) -> NDArray[np.uint64]:
    low, high = signal.raw_limits
    missing = signal.invalid[-1][1] if signal.invalid else 0
    for first, last in signal.invalid:
        if last >= high >= first:
            high = first - 1
    rounded = np.rint((np.nan_to_num(physical) - signal.offset) / signal.scale)
    raw = np.where(np.isnan(physical), missing, np.clip(rounded, low, high)).astype(np.int64)
    return raw.astype(np.uint64) & np.uint64((1 << signal.length) - 1)


def _place(payload: ByteArray, signal: SignalLayout, raw: NDArray[np.uint64]) -> None:
    bit = signal.start
    for step in range(signal.length):
        source = step if signal.byte_order == "little" else signal.length - 1 - step
        payload[:, bit >> 3] |= ((raw >> np.uint64(source) & np.uint64(1)) << np.uint64(bit & 7)).astype(np.uint8)
        if signal.byte_order == "little":
            bit += 1
        else:
            bit = bit + 15 if bit & 7 == 0 else bit - 1
