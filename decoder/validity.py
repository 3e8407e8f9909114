"""Which values of a signal are valid by its definition: no code for "not available", in range, a finite number."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, FloatArray
from signal_defs.layout import SignalLayout

FEW_RANGES: Final = 4  # up to here comparing beats searching


@dataclass(frozen=True, slots=True)
class Check:
    """What a value must keep to. low, high: None where it cannot lie beyond. finite: it might be no finite number.

    passes_all: there is nothing to keep to.
    """

    invalid: tuple[tuple[int, int], ...]
    finite: bool
    low: float | None
    high: float | None
    passes_all: bool = field(init=False)

    def __post_init__(self) -> None:
        nothing = not self.invalid and not self.finite and self.low is None and self.high is None
        object.__setattr__(self, "passes_all", nothing)

    @classmethod
    def of(cls, signal: SignalLayout) -> Self:
        """The definition's range with half a step of slack, and its raw values that are none."""
        low, high = signal.minimum, signal.maximum
        slack = 0.0 if signal.is_float else abs(signal.scale) / 2
        if not signal.is_float:
            least = -(2 ** (signal.length - 1)) if signal.signed else 0
            most = 2 ** (signal.length - 1) - 1 if signal.signed else 2**signal.length - 1
            ends = sorted((least * signal.scale + signal.offset, most * signal.scale + signal.offset))
            low = None if low is None or ends[0] >= low - slack else low
            high = None if high is None or ends[1] <= high + slack else high
        return cls(
            () if signal.is_float else tuple(merged_ranges(signal.invalid)),
            signal.is_float or not math.isfinite(signal.scale + signal.offset),
            None if low is None else low - slack,
            None if high is None else high + slack,
        )

    def judge(self, raw: NDArray[Any], value: FloatArray, valid: BoolArray) -> tuple[BoolArray, int]:
        """Which of the valid values keep to the definition, and how many of them lie outside of its range."""
        bad = _invalid(raw, self.invalid) if self.invalid else None
        if bad is not None:
            valid = valid & ~bad
        if self.finite:
            valid = valid & np.isfinite(value)
        inside = self._inside(value)
        if inside is None:
            return valid, 0
        return valid & inside, int(np.count_nonzero(valid & ~inside))

    def _inside(self, value: FloatArray) -> BoolArray | None:
        """Whether each value lies in the range; None where it cannot lie outside."""
        if self.low is None and self.high is None:
            return None
        inside = np.ones(len(value), np.bool_)
        if self.low is not None:
            inside &= value >= self.low
        if self.high is not None:
            inside &= value <= self.high
        return inside


def _invalid(raw: NDArray[Any], ranges: tuple[tuple[int, int], ...]) -> BoolArray | None:
    """Whether each raw value lies in one of the ranges, which rise and do not overlap; None where none can hold it."""
    merged = [(low, high) for low, high in ranges if not is_beyond(low, high, raw)]
    if not merged:
        return None
    if len(merged) <= FEW_RANGES:
        bad = np.zeros(len(raw), np.bool_)
        for low, high in merged:
            bad |= raw == low if low == high else (raw >= low) & (raw <= high)
        return bad
    lows = np.array([nearest(low, raw) for low, _ in merged], raw.dtype)
    highs = np.array([nearest(high, raw) for _, high in merged], raw.dtype)
    index = np.searchsorted(lows, raw, side="right") - 1
    return np.asarray((index >= 0) & (raw <= highs[np.maximum(index, 0)]))


def merged_ranges(ranges: tuple[tuple[int, int], ...]) -> list[tuple[int, int]]:
    """The same numbers in rising ranges that do not overlap."""
    merged: list[tuple[int, int]] = []
    for low, high in sorted(one for one in ranges if one[0] <= one[1]):
        if merged and low <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return merged


def nearest(number: int, like: NDArray[Any]) -> int:
    """The number, or the nearest that the array's type can hold."""
    limits = np.iinfo(like.dtype)
    return min(max(number, int(limits.min)), int(limits.max))


def is_beyond(low: int, high: int, like: NDArray[Any]) -> bool:
    """Whether no number of the range fits the array's type."""
    limits = np.iinfo(like.dtype)
    return low > int(limits.max) or high < int(limits.min)
