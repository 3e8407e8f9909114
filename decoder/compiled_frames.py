"""What is done once a frame or once a value, compiled by numba: one loop for what takes NumPy several passes.

Twins of the passes in `KeyTable._find`, `Places._sorted` and `Block.cut`, with the same results bit for bit: without
"fast math" a multiplication and an addition stay two roundings.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

import numpy as np
from numba import njit, types
from numpy.typing import NDArray

from decoder.frames import ByteArray, FloatArray, Int64Array
from decoder.keys import OVERFLOW, SPREAD, TABLE_BITS, Keys

_Function = TypeVar("_Function", bound=Callable[..., object])
_SHIFT = np.uint64(64 - TABLE_BITS)


def _any(kind: types.Type, dimensions: int = 1) -> types.Array:
    """A column of whatever origin, which the loop only reads."""
    return types.Array(kind, dimensions, "A", readonly=True, aligned=False)


def _column(kind: types.Type, dimensions: int = 1) -> types.Array:
    """A contiguous column that the loop only reads."""
    return types.Array(kind, dimensions, "C", readonly=True)


def _loop(*arguments: object, gives: types.Type = types.void) -> Callable[[_Function], _Function]:
    """Compiled when the module is imported, or taken from what an earlier process kept beside it."""
    return cast("Callable[[_Function], _Function]", njit(gives(*arguments), cache=True))


@_loop(_any(types.uint64), _column(types.uint64), _column(types.int64), types.int64[::1], gives=types.int64)
def find_keys(column: Keys, keys: Keys, place: Int64Array, numbers: Int64Array) -> int:
    """As the passes in `KeyTable._find`: `OVERFLOW` where the key's place holds another one. Returns how many do."""
    missing = 0
    for row in range(len(column)):
        number = place[(column[row] * SPREAD) >> _SHIFT]
        if keys[np.uint64(number)] != column[row]:
            number = OVERFLOW
            missing += 1
        numbers[row] = number
    return missing


@_loop(
    _column(types.int64),
    types.int64[::1],
    _any(types.int64),
    _any(types.uint8),
    _any(types.uint64, 2),
    types.int64[::1],
    types.int64[::1],
    types.uint8[::1],
    types.uint64[:, ::1],
)
def sort_by_place(
    place: Int64Array,
    starts: Int64Array,
    time_ns: Int64Array,
    length: ByteArray,
    words: Keys,
    rows: Int64Array,
    sorted_time_ns: Int64Array,
    sorted_length: ByteArray,
    sorted_words: Keys,
) -> None:
    """As `Places._sorted`, by counting. starts: where each place's frames begin; those of the last are left out."""
    others = np.uint64(len(starts) - 1)
    for row in range(len(place)):
        own = np.uint64(place[row])  # an unsigned index is not asked whether it counts from the end
        if own == others:
            continue
        at = np.uint64(starts[own])
        starts[own] += 1
        rows[at] = row
        sorted_time_ns[at] = time_ns[row]
        sorted_length[at] = length[row]
        for word in range(words.shape[1]):
            sorted_words[at, word] = words[row, word]


@_loop(
    _column(types.uint64),
    types.boolean,
    _column(types.uint64, 2),
    _column(types.uint64, 2),
    _column(types.float64, 2),
    _column(types.float64, 2),
    types.int64[:, ::1],
    types.float64[:, ::1],
)
def cut(
    word: NDArray[np.uint64],
    signed: bool,
    left: NDArray[np.uint64],
    right: NDArray[np.uint64],
    scale: FloatArray,
    offset: FloatArray,
    raw: Int64Array,
    value: FloatArray,
) -> None:
    """As `Block.cut`, into raw and value, (k, n) each."""
    for signal in range(len(left)):
        up, down = left[signal, 0], right[signal, 0]
        by, more = scale[signal, 0], offset[signal, 0]
        for row in range(len(word)):
            field = word[row] << up
            number = np.int64(field) >> np.int64(down) if signed else np.int64(field >> down)
            raw[signal, row] = number
            value[signal, row] = np.float64(number) * by + more
