"""Round places for an axis' ticks, in numbers and in time."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200)
_DAY_S = 86_400


def number_ticks(low: float, high: float, wanted: int) -> list[tuple[float, str]]:
    """About `wanted` places from low to high, two or more, at steps of 1, 2 or 5 times a power of ten, with labels."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return []
    raw = (high - low) / max(wanted, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = power * next(size for size in (1, 2, 5, 10) if size * power >= raw * 0.999)
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    if first >= last:
        return number_ticks(low, high, wanted + 1)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    places = [number * step for number in range(first, last + 1)]
    return [(at, f"{at + 0.0:.{digits}f}".replace("-", "−")) for at in places]


def time_ticks(
    low: Any, high: Any, wanted: int, *, relative: bool, cuts: Sequence[tuple[float, float]] = ()
) -> list[tuple[Any, str, str]]:
    """About `wanted` instants with their label and, on the first of each day, the day.

    relative: the time counts from 1970-01-01 because the log knows no date; the days are then numbered.
    cuts: stretches [ms] that the axis leaves out; they carry no tick.
    """
    start, end = (np.asarray([low, high]).astype("datetime64[ms]").astype(np.int64) / 1000).tolist()
    left_out = [(max(cut / 1000, start), min(until / 1000, end)) for cut, until in cuts]
    left_out = [(cut, until) for cut, until in left_out if until > cut]
    raw = (end - start - sum(until - cut for cut, until in left_out)) / max(wanted, 1)
    step = next((size for size in _STEPS_S if size >= raw), 0)
    if not step:
        step = _DAY_S * max(1, math.ceil(raw / _DAY_S))
    ticks: list[tuple[Any, str, str]] = []
    last_day = ""
    begins = [start, *(until for _, until in left_out)]
    finishes = [*(cut for cut, _ in left_out), end]
    numbers = [
        number
        for begin, finish in zip(begins, finishes, strict=True)
        for number in range(math.ceil(begin / step), math.floor(finish / step) + 1)
    ]
    for number in numbers:
        at = np.datetime64(number * step * 1000, "ms")
        written = str(at)
        day = f"day {number * step // _DAY_S + 1}" if relative else written[:10]
        clock = "" if step >= _DAY_S else written[11:19] if step < 60 else written[11:16]
        ticks.append((at, clock, day if day != last_day else ""))
        last_day = day
    return ticks
