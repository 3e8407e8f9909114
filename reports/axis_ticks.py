"""Round places for an axis' ticks, in numbers and in time."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200)
_DAY_S = 86_400


def number_ticks(low: float, high: float, wanted: int) -> list[tuple[float, str]]:
    """About `wanted` places from low to high at steps of 1, 2 or 5 times a power of ten, with their labels."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return []
    raw = (high - low) / max(wanted, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = power * next(size for size in (1, 2, 5, 10) if size * power >= raw * 0.999)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    places = [number * step for number in range(first, last + 1)]
    return [(at, f"{at + 0.0:.{digits}f}".replace("-", "−")) for at in places]


def time_ticks(low: Any, high: Any, wanted: int, *, relative: bool) -> list[tuple[Any, str, str]]:
    """About `wanted` instants with their label and, on the first of each day, the day.

    relative: the time counts from 1970-01-01 because the log knows no date; the days are then numbered.
    """
    start, end = (np.asarray([low, high]).astype("datetime64[ms]").astype(np.int64) / 1000).tolist()
    raw = (end - start) / max(wanted, 1)
    step = next((size for size in _STEPS_S if size >= raw), 0)
    if not step:
        step = _DAY_S * max(1, math.ceil(raw / _DAY_S))
    ticks: list[tuple[Any, str, str]] = []
    last_day = ""
    for number in range(math.ceil(start / step), math.floor(end / step) + 1):
        at = np.datetime64(number * step * 1000, "ms")
        written = str(at)
        day = f"day {number * step // _DAY_S + 1}" if relative else written[:10]
        clock = "" if step >= _DAY_S else written[11:19] if step < 60 else written[11:16]
        ticks.append((at, clock, day if day != last_day else ""))
        last_day = day
    return ticks
