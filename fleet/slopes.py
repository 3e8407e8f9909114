"""How fast something changes, whatever a few wild values say: the slope of Theil and Sen, the test of Mann and Kendall.

Both are taken within classes (here: of temperature) and put together over them, so that a change of season alone shows
no change. With one class they are the plain ones. Sources: Theil 1950; Sen 1968; Mann 1945; Kendall 1955; Hirsch, Slack
and Smith 1982 for the classes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from decoder.frames import FloatArray
from fleet.classes import Classes, classes_of
from fleet.intervals import middle, normal_quantile


@dataclass(frozen=True, slots=True)
class Slope:
    """value: median of the slopes of all pairs, per unit of x. low, high: Sen's 95 % interval.

    error: standard error of the slope from what is left about it, wild values cut at three times the spread. freedom:
    of that error. s, z, p: of Mann and Kendall's test, two-sided. pairs: slopes behind it.
    """

    value: float
    low: float
    high: float
    error: float
    freedom: int
    s: int
    z: float
    p: float
    pairs: int


def sen_slope(
    x: FloatArray, y: FloatArray, classes: Classes | None = None, *, memory: bool | None = None
) -> Slope | None:
    """Slope of y over x within classes; None where no two points of one class differ in x.

    x, y: (n,) without NaN, x rising. classes: what may be compared with each other; None for all.
    memory: widen the intervals for days that resemble the day before, by (1 + r) / (1 - r) in variance, r being the
    correlation of neighbours about the slope: True for any positive r, False only where it is more than chance, None
    never. Source: Yue and Wang 2004, after Bayley and Hammersley 1946.
    """
    groups = classes or classes_of(np.zeros(len(x), dtype=np.int64))
    dx, dy = _pairs(x, y, groups.code)
    apart = dx != 0
    ordered = dy[apart] / dx[apart]
    if not len(ordered):
        return None
    ordered.sort()
    value = middle(ordered)
    s = int(np.sign(dx * dy).sum())
    left, about = groups.about_medians(y - value * x), groups.about_means(x)
    across = float(about @ about)
    wider = 1.0 if memory is None else inflation(left, always=memory)
    variance = wider * (_paired(groups.size) - _ties(x, groups.code) - _ties(y, groups.code)) / 18
    low, high = order_interval(ordered, variance)
    freedom = len(x) - len(groups.size) - 1
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s and variance else 0.0
    return Slope(
        value=value,
        low=low,
        high=high,
        error=math.sqrt(wider * _spread(left) / (freedom * across)) if freedom > 0 and across else math.inf,
        freedom=max(freedom, 0),
        s=s,
        z=z,
        p=math.erfc(abs(z) / math.sqrt(2)),
        pairs=len(ordered),
    )


def _spread(left: FloatArray) -> float:
    """Sum of squares with wild values cut at three times the spread (1.4826 times the median deviation)."""
    bound = 3 * 1.4826 * middle(np.abs(left))
    kept = np.clip(left, -bound, bound) if bound else left
    return float(kept @ kept)


def inflation(left: FloatArray, *, always: bool) -> float:
    """By how much more the sums of days that resemble the day before vary than those of independent days."""
    spread = float(left @ left)
    r = min(float(left[1:] @ left[:-1]) / spread, 0.9) if spread else 0.0
    chance = 1.645 / math.sqrt(len(left))  # below it, independent days show as much in 19 of 20 series
    return (1 + r) / (1 - r) if r > (0.0 if always else chance) else 1.0


def _pairs(x: FloatArray, y: FloatArray, code: Any) -> tuple[FloatArray, FloatArray]:
    """Differences in x and y of all pairs within classes, the later less the earlier."""
    compared = (code[:, None] == code) & _later(len(x))
    return np.subtract.outer(x, x)[compared], np.subtract.outer(y, y)[compared]


@lru_cache(maxsize=256)
def _later(n: int) -> Any:
    """(n, n) whether the row comes after the column; the fleet's series have few different lengths."""
    return np.tri(n, k=-1, dtype=bool)


def _ties(values: FloatArray, code: Any) -> float:
    """What equal values of one class take off the variance of Kendall's S."""
    order = np.lexsort((values, code))
    ordered, of = values[order], code[order]
    apart = (ordered[1:] != ordered[:-1]) | (of[1:] != of[:-1])
    if apart.all():
        return 0.0
    return _paired(np.diff(np.concatenate([[0], np.flatnonzero(apart) + 1, [len(values)]])))


def _paired(counts: Any) -> float:
    return float((counts * (counts - 1) * (2 * counts + 5)).sum())


def order_interval(ordered: FloatArray, variance: float) -> tuple[float, float]:
    """Sen's interval: values as many places from the middle as Kendall's S is likely to be off."""
    off = normal_quantile(0.975) * math.sqrt(variance)
    high = min(round((len(ordered) + off) / 2), len(ordered) - 1)
    low = max(round((len(ordered) - off) / 2) - 1, 0)
    return float(ordered[low]), float(ordered[high])
