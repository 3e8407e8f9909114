"""Signals of one message that lie in the same eight bytes, cut out of all frames in one go."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoder.bits import WORD, last_byte, network_bit
from decoder.frames import FloatArray, Int64Array
from decoder.logs import compiled
from signal_defs.layout import SignalLayout

EXACT_INTEGER = 2**53  # IEEE 754 binary64 holds every integer up to here


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """k signals. at: byte of the payload where their word begins, most significant byte first if big.

    left, right: (k, 1) shifts that leave a field alone in its word; right spreads the sign if signed. scale, offset:
    (k, 1); is_scaled, is_moved: whether any of them changes anything. need: bytes of payload that all of them need.
    """

    signals: tuple[SignalLayout, ...]
    at: int
    big: bool
    signed: bool
    left: NDArray[np.uint64]
    right: NDArray[np.uint64]
    scale: FloatArray
    offset: FloatArray
    is_scaled: bool
    is_moved: bool
    need: int

    def cut(self, word: NDArray[np.uint64]) -> tuple[Int64Array, FloatArray]:
        """Raw and physical values of every signal: (k, n) each. word: (n,) of each frame."""
        loops = compiled.frame_loops()
        if loops is not None:
            shape = len(self.signals), len(word)
            raw, value = np.empty(shape, np.int64), np.empty(shape)
            word = word if word.flags.aligned else word.copy()
            loops.cut(word, self.signed, self.left, self.right, self.scale, self.offset, raw, value)
            return raw, value
        field = word << self.left
        if self.signed:
            raw = field.view(np.int64)
            raw >>= self.right.view(np.int64)
        else:
            field >>= self.right
            raw = field.view(np.int64)
        value = raw.astype(np.float64)
        if self.is_scaled:
            value *= self.scale
        if self.is_moved:
            value += self.offset
        return raw, value


def fits_block(signal: SignalLayout) -> bool:
    """Whether a signal may be one of a `Block`: in every frame, in one word, and scaled without loss."""
    if (
        signal.multiplexed is not None
        or signal.is_bytes
        or signal.is_float
        or signal.length > WORD - (not signal.signed)
    ):
        return False
    if last_byte(signal) >= word_start(signal) + WORD // 8:
        return False
    scale, offset = float(signal.scale), float(signal.offset)
    if not math.isfinite(scale + offset):
        return False
    return (scale, offset) == (1.0, 0.0) or not scale.is_integer() or scaled_bound(signal) <= EXACT_INTEGER


def scaled_bound(signal: SignalLayout) -> int:
    """What no scaled value exceeds, where the scale is a whole number; of the offset its whole part counts."""
    offset = float(signal.offset)
    return (1 << signal.length) * abs(int(signal.scale)) + abs(int(offset) if offset.is_integer() else 0)


def build_blocks(signals: Iterable[SignalLayout]) -> tuple[Block, ...]:
    """The signals by word and sign. Each of them fits a block."""
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
        scale,
        offset,
        bool((scale != 1.0).any()),
        bool(offset.any() or (scale < 0).any() or signed),
        max(map(last_byte, signals)) + 1,
    )
