"""The distinct keys of a long column, numbered as they appear, without sorting the column."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from decoder.frames import Int64Array
from decoder.logs import compiled

Keys = NDArray[np.uint64]

MAX_KEYS: Final = 65_536  # more distinct keys than any real log has; later ones share the number OVERFLOW
OVERFLOW: Final = -1
SPREAD: Final = np.uint64(0x9E3779B97F4A7C15)  # odd, 2**64 over the golden ratio: multiplicative hashing
TABLE_BITS: Final = 14
_SAMPLE: Final = 4096
_STRETCH: Final = 16_384


class KeyTable:
    """Numbers keys 0, 1, 2, ... in the order of their first batch.

    A table of 2**14 places finds a known key in a few passes over the column; keys that collide there are searched for.
    """

    def __init__(self) -> None:
        self.keys: Keys = np.empty(0, np.uint64)
        self._sorted: Keys = np.empty(0, np.uint64)
        self._number: Int64Array = np.empty(0, np.int64)
        self._place: Int64Array = np.zeros(1 << TABLE_BITS, np.int64)

    def __len__(self) -> int:
        return len(self.keys)

    def number(self, column: Keys) -> Int64Array:
        """The number of each key, new ones added: (n,); `OVERFLOW` for new keys once `MAX_KEYS` are known."""
        if not len(self) and len(column) > 2 * _SAMPLE:
            self._add(_distinct(column[:_SAMPLE]))
        numbers, missing = self._find(column)
        if len(missing):
            self._add(_distinct(column[missing]))
            numbers[missing], _ = self._find(column[missing])
        return numbers

    def _find(self, column: Keys) -> tuple[Int64Array, Int64Array]:
        """The number of each key, `OVERFLOW` where it is not known, and the rows where that is so."""
        if not len(self):
            return np.full(len(column), OVERFLOW, np.int64), np.arange(len(column))
        numbers = np.empty(len(column), np.int64)
        loops = compiled.frame_loops()
        if loops is not None:
            missing = loops.find_keys(column, self.keys, self._place, numbers)
        else:
            missing = 0
            for first in range(0, len(column), _STRETCH):  # what a processor keeps near at hand
                part = column[first : first + _STRETCH]
                spread = part * SPREAD
                spread >>= np.uint64(64 - TABLE_BITS)
                own = self._place.take(spread.view(np.int64), mode="clip")
                other = np.flatnonzero(self.keys.take(own, mode="clip") != part)
                own[other] = OVERFLOW
                numbers[first : first + _STRETCH] = own
                missing += len(other)
        wrong = np.flatnonzero(numbers == OVERFLOW) if missing else np.empty(0, np.int64)
        if missing:
            odd = column[wrong]
            at = np.minimum(np.searchsorted(self._sorted, odd), len(self._sorted) - 1)
            numbers[wrong] = np.where(self._sorted[at] == odd, self._number[at], OVERFLOW)
            wrong = wrong[numbers[wrong] == OVERFLOW]
        return numbers, wrong

    def _add(self, new: Keys) -> None:
        new = new[: MAX_KEYS - len(self)]
        if not len(new):
            return
        first = len(self)
        self.keys = np.concatenate([self.keys, new])
        order = np.argsort(self.keys, kind="stable")
        self._sorted = self.keys[order]
        self._number = order
        self._place[(new * SPREAD) >> np.uint64(64 - TABLE_BITS)] = np.arange(first, len(self))


def _distinct(column: Keys) -> Keys:
    """The keys that occur, rising; NumPy's own function first imports what takes longer than a short log."""
    ordered = np.sort(column)
    first = np.ones(len(ordered), np.bool_)
    first[1:] = ordered[1:] != ordered[:-1]
    return ordered[first]
