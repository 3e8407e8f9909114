"""How fast something changes, whatever a few wild values say: the slope of Theil and Sen, the test of Mann and Kendall.

Both are taken within classes (here: of temperature) and put together over them, so that a change of season alone shows
no change. With one class they are the plain ones. Sources: Theil 1950; Sen 1968; Mann 1945; Kendall 1955; Hirsch, Slack
and Smith 1982 for the classes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from decoder.frames import FloatArray
from fleet.intervals import middle, normal_quantile


@dataclass(frozen=True, slots=True)
class Slope:
    """value: median of the slopes of all pairs, per unit of x. low, high: Sen's 95 % interval.

    error: standard error of the slope from what is left about it, wild values cut at three times the spread. freedom:
    of that error. s, z, p: of Mann and Kendall's test, two-sided. points: how many. pairs: slopes behind it.
    """

    value: float
    low: float
    high: float
    error: float
    freedom: int
    s: int
    z: float
    p: float
    points: int
    pairs: int


def sen_slope(x: FloatArray, y: FloatArray, classes: Any = None, *, memory: bool | None = None) -> Slope | None:
    """Slope of y over x within classes; None where no two points of one class differ in x.

    x, y: (n,) without NaN, x rising. classes: (n,) what may be compared with each other; None for all.
    memory: widen the intervals for days that resemble the day before, by (1 + r) / (1 - r) in variance, r being the
    correlation of neighbours about the slope: True for any positive r, False only where it is more than chance, None
    never. Source: Yue and Wang 2004, after Bayley and Hammersley 1946.
    """
    labels = np.zeros(len(x), dtype=np.int64) if classes is None else np.asarray(classes)
    slopes, s, variance = [], 0, 0.0
    groups = [labels == label for label in sorted(set(labels.tolist()))]
    for inside in groups:
        found = _pairs(x[inside], y[inside])
        slopes.append(found[0])
        s += found[1]
        variance += found[2]
    ordered = np.sort(np.concatenate(slopes)) if slopes else np.empty(0)
    if not len(ordered):
        return None
    value = middle(ordered)
    left, across = _left_over(x, y, groups, value)
    wider = 1.0 if memory is None else _inflation(left, always=memory)
    variance *= wider
    low, high = _interval(ordered, variance, 0.95)
    freedom = len(x) - len(groups) - 1
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s and variance else 0.0
    return Slope(
        value=value,
        low=low,
        high=high,
        error=math.sqrt(wider * _spread(left) / (freedom * across)) if freedom > 0 and across else math.inf,
        freedom=max(freedom, 0),
        s=int(s),
        z=z,
        p=math.erfc(abs(z) / math.sqrt(2)),
        points=len(x),
        pairs=len(ordered),
    )


def _left_over(x: FloatArray, y: FloatArray, groups: Any, slope: float) -> tuple[FloatArray, float]:
    """What the slope leaves of y about each class' own level, and the sum of squares of x about each class' mean."""
    left, about = y - slope * x, x.astype(float)
    for inside in groups:
        left[inside] -= middle(left[inside])
        about[inside] -= about[inside].mean()
    return left, float(about @ about)


def _spread(left: FloatArray) -> float:
    """Sum of squares with wild values cut at three times the spread (1.4826 times the median deviation)."""
    bound = 3 * 1.4826 * middle(np.abs(left))
    kept = np.clip(left, -bound, bound) if bound else left
    return float(kept @ kept)


def _inflation(left: FloatArray, *, always: bool) -> float:
    """By how much more the sums of days that resemble the day before vary than those of independent days."""
    spread = float(left @ left)
    r = min(float(left[1:] @ left[:-1]) / spread, 0.9) if spread else 0.0
    chance = 1.645 / math.sqrt(len(left))  # below it, independent days show as much in 19 of 20 series
    return (1 + r) / (1 - r) if r > (0.0 if always else chance) else 1.0


def _pairs(x: FloatArray, y: FloatArray) -> tuple[FloatArray, int, float]:
    """Slopes of all pairs, Kendall's S, and its variance with ties."""
    n = len(x)
    if n < 2:
        return np.empty(0), 0, 0.0
    first, second = _triangle(n)
    dx, dy = x[second] - x[first], y[second] - y[first]
    apart = dx != 0
    s = int(np.sign(dx * dy).sum())
    variance = (n * (n - 1) * (2 * n + 5) - _ties(x) - _ties(y)) / 18
    return dy[apart] / dx[apart], s, variance


_triangles: dict[int, Any] = {}


def _triangle(n: int) -> Any:
    """Places of all pairs of n; the fleet's series have few different lengths."""
    if n not in _triangles:
        if len(_triangles) > 256:
            _triangles.clear()
        _triangles[n] = np.triu_indices(n, 1)
    return _triangles[n]


def _ties(values: FloatArray) -> float:
    ordered = np.sort(values)
    if not (ordered[1:] == ordered[:-1]).any():
        return 0.0
    counts = np.unique(ordered, return_counts=True)[1]
    return float((counts * (counts - 1) * (2 * counts + 5)).sum())


def _interval(ordered: FloatArray, variance: float, confidence: float) -> tuple[float, float]:
    """Sen's interval: slopes as many places from the middle as Kendall's S is likely to be off."""
    off = normal_quantile(0.5 + confidence / 2) * math.sqrt(variance)
    high = min(round((len(ordered) + off) / 2), len(ordered) - 1)
    low = max(round((len(ordered) - off) / 2) - 1, 0)
    return float(ordered[low]), float(ordered[high])
