"""Signals of one message that lie in the same eight bytes, cut out of all frames in one go."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoder.bits import WORD, last_byte, network_bit
from decoder.frames import FloatArray, Int64Array
from signal_defs.layout import SignalLayout


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """k signals. at: byte of the payload where their word begins, most significant byte first if big.

    left, right: (k, 1) shifts that leave a field alone in its word; right spreads the sign if signed. scale, offset:
    (k, 1), None where none of them changes anything. need: bytes of payload that all of them need.
    """

    signals: tuple[SignalLayout, ...]
    at: int
    big: bool
    signed: bool
    left: NDArray[np.uint64]
    right: NDArray[np.uint64]
    scale: FloatArray | None
    offset: FloatArray | None
    need: int

    def cut(self, word: NDArray[np.uint64]) -> tuple[Int64Array, FloatArray]:
        """Raw and physical values of every signal: (k, n) each. word: (n,) of each frame."""
        field = word << self.left
        if self.signed:
            raw = field.view(np.int64)
            raw >>= self.right.view(np.int64)
        else:
            field >>= self.right
            raw = field.view(np.int64)
        value = raw.astype(np.float64)
        if self.scale is not None:
            value *= self.scale
        if self.offset is not None:
            value += self.offset
        return raw, value


def build_blocks(signals: Iterable[SignalLayout]) -> tuple[Block, ...]:
    """The signals by word and sign. Each: no float, at most 63 bits (64 if signed), in reach of one word."""
    groups: dict[tuple[int, bool, bool], list[SignalLayout]] = {}
    for signal in signals:
        groups.setdefault((word_start(signal), signal.byte_order == "big", signal.signed), []).append(signal)
    return tuple(_block(at, big, signed, group) for (at, big, signed), group in groups.items())


def word_start(signal: SignalLayout) -> int:
    """The byte where the word begins that holds a signal: of a payload of 8 bytes its first, of one of 64 any."""
    if last_byte(signal) < WORD // 8:
        return 0
    first = network_bit(signal) if signal.byte_order == "big" else signal.start
    return min(first // 8, 64 - WORD // 8)


def _block(at: int, big: bool, signed: bool, signals: list[SignalLayout]) -> Block:
    lengths = np.array([[one.length] for one in signals])
    starts = np.array([[network_bit(one) if big else one.start] for one in signals]) - 8 * at
    left = starts if big else WORD - starts - lengths
    scale = np.array([[float(one.scale)] for one in signals])
    offset = np.array([[float(one.offset)] for one in signals])
    return Block(
        tuple(signals),
        at,
        big,
        signed,
        left.astype(np.uint64),
        (WORD - lengths).astype(np.uint64),
        scale if (scale != 1.0).any() else None,
        offset if offset.any() or (scale < 0).any() or signed else None,
        max(map(last_byte, signals)) + 1,
    )
