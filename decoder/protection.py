"""Message protection in the payload: CRCs, counters, and the AUTOSAR end-to-end profiles 1, 2 and 5, column-wise.

Sources: CRC catalogue documentation (check values over "123456789"); AUTOSAR E2E Protocol Specification, profiles 1, 2
and 5, as public packages implement it. What a check rejects is a fault of the data, not of the bus.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Int64Array

Inclusion = Literal["both", "alternating", "low"]
CounterState = Literal["first", "ok", "repeated", "lost", "wrong"]
COUNTER_STATES: Final[tuple[CounterState, ...]] = ("first", "ok", "repeated", "lost", "wrong")


@dataclass(frozen=True, slots=True)
class Crc:
    """A CRC without reflection. width: 8 or 16 bits. table: (256,) the remainder of each byte."""

    width: int
    polynomial: int
    start: int
    final: int

    @property
    def table(self) -> NDArray[np.uint16]:
        top, mask = 1 << (self.width - 1), (1 << self.width) - 1
        remainders = []
        for byte in range(256):
            remainder = byte << (self.width - 8)
            for _ in range(8):
                remainder = ((remainder << 1) ^ self.polynomial if remainder & top else remainder << 1) & mask
            remainders.append(remainder)
        return np.array(remainders, np.uint16)

    def column(self, data: ByteArray) -> NDArray[np.uint16]:
        """The CRC of each row of data (n, width): (n,)."""
        return self.proceed(np.full(len(data), self.start, np.uint16), data) ^ np.uint16(self.final)

    def of(self, data: bytes) -> int:
        """The CRC of one run of bytes."""
        return int(self.column(np.frombuffer(data, np.uint8).reshape(1, -1))[0])

    def proceed(self, remainder: NDArray[np.uint16], data: ByteArray) -> NDArray[np.uint16]:
        """The remainder after more bytes of each row; neither start nor final value is applied."""
        table = self.table
        for column in range(data.shape[1]):
            index = (remainder >> np.uint16(self.width - 8)).astype(np.uint8) ^ data[:, column]
            shifted = (remainder << np.uint16(8)) if self.width > 8 else np.zeros_like(remainder)
            remainder = shifted ^ table[index]
        return remainder


CRC8_J1850: Final = Crc(8, 0x1D, 0xFF, 0xFF)
CRC8_2F: Final = Crc(8, 0x2F, 0xFF, 0xFF)
CRC16_CCITT_FALSE: Final = Crc(16, 0x1021, 0xFFFF, 0x0000)
CRC8_PROFILE_1: Final = Crc(8, 0x1D, 0x00, 0x00)  # profile 1: the J1850 polynomial, start and final value 0


@dataclass(frozen=True, slots=True, eq=False)
class Protected:
    """What end-to-end protection says of each frame. crc_ok: (n,). counter: (n,) as sent. state: (n,) of COUNTER_STATES
    as its number; a frame with a wrong CRC is "wrong" and takes no part in the count.
    """

    crc_ok: BoolArray
    counter: Int64Array
    state: ByteArray

    def count(self, state: CounterState) -> int:
        return int(np.count_nonzero(self.state == COUNTER_STATES.index(state)))


def check_profile_1(
    payload: ByteArray, length: int, data_id: int, *, inclusion: Inclusion = "both", max_delta: int = 1
) -> Protected:
    """Profile 1: CRC in byte 0, counter 0..14 in the low nibble of byte 1.

    payload: (n, width). length: bytes protected. data_id: 16 bits; before the data go, with inclusion "both",
    its low and high byte, with "alternating" the low byte where the counter is even, else the high one, with "low" the
    low byte.
    """
    counter = (payload[:, 1] & 0x0F).astype(np.int64)
    low, high = np.uint8(data_id & 0xFF), np.uint8(data_id >> 8 & 0xFF)
    n = len(payload)
    if inclusion == "both":
        head = np.tile(np.array([low, high], np.uint8), (n, 1))
    elif inclusion == "alternating":
        head = np.where(counter % 2 == 0, low, high).astype(np.uint8)[:, None]
    else:
        head = np.full((n, 1), low, np.uint8)
    crc = CRC8_PROFILE_1.column(np.concatenate([head, payload[:, 1:length]], axis=1))
    return _protected((crc == payload[:, 0]) & (counter < 15), counter, 15, max_delta)


def check_profile_2(payload: ByteArray, length: int, data_ids: Sequence[int], *, max_delta: int = 1) -> Protected:
    """Profile 2: CRC-8 (0x2F) in byte 0, counter 0..15 in the low nibble of byte 1.

    data_ids: sixteen, the one of the counter's value goes behind the data.
    """
    counter = (payload[:, 1] & 0x0F).astype(np.int64)
    tail = np.array(data_ids, np.uint8)[counter][:, None]
    crc = CRC8_2F.column(np.concatenate([payload[:, 1:length], tail], axis=1))
    return _protected(np.asarray(crc == payload[:, 0]), counter, 16, max_delta)


def check_profile_5(payload: ByteArray, length: int, data_id: int, *, max_delta: int = 1) -> Protected:
    """Profile 5: CRC-16 in bytes 0 (low) and 1, counter 0..255 in byte 2.

    data_id: 16 bits, goes behind the data, low byte first.
    """
    counter = payload[:, 2].astype(np.int64)
    tail = np.tile(np.array([data_id & 0xFF, data_id >> 8 & 0xFF], np.uint8), (len(payload), 1))
    crc = CRC16_CCITT_FALSE.column(np.concatenate([payload[:, 2:length], tail], axis=1))
    sent = payload[:, 0].astype(np.uint16) | payload[:, 1].astype(np.uint16) << np.uint16(8)
    return _protected(np.asarray(crc == sent), counter, 256, max_delta)


def counter_states(counter: Int64Array, modulus: int, max_delta: int = 1) -> ByteArray:
    """What each counter says against the one before: (n,) number in COUNTER_STATES.

    A step of 0 is repeated, up to max_delta ok, more is lost; steps are taken modulo `modulus`.
    """
    state = np.full(len(counter), COUNTER_STATES.index("ok"), np.uint8)
    if len(counter):
        step = np.diff(counter) % modulus
        state[1:][step == 0] = COUNTER_STATES.index("repeated")
        state[1:][step > max_delta] = COUNTER_STATES.index("lost")
        state[0] = COUNTER_STATES.index("first")
    return state


def _protected(crc_ok: BoolArray, counter: Int64Array, modulus: int, max_delta: int) -> Protected:
    state = np.full(len(counter), COUNTER_STATES.index("wrong"), np.uint8)
    state[crc_ok] = counter_states(counter[crc_ok], modulus, max_delta)
    return Protected(crc_ok, counter, state)
