"""95 % intervals that small numbers deserve: shares, medians, and figures of drives whose standstills go together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from decoder.frames import FloatArray
from idle_stop import shares


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with its 95 % interval; NaN where nothing can be said."""

    value: float
    low: float
    high: float

    def times(self, factor: float) -> Interval:
        """In another unit; factor: above 0."""
        return Interval(factor * self.value, factor * self.low, factor * self.high)


_ROUNDS = 999  # of drawing clusters anew
UNKNOWN = Interval(math.nan, math.nan, math.nan)


def wilson(count: float, total: float) -> Interval:
    """Share of `total` cases with Wilson's score interval; counts need not be whole (an effective number of cases).

    Source: as `shares.wilson`; Brown, Cai and DasGupta 2001 recommend it for small numbers.
    """
    if total <= 0:
        return UNKNOWN
    share = shares.wilson(count, total)
    return Interval(share.value, share.low, share.high)


def clustered_share(counts: FloatArray, totals: FloatArray) -> Interval:
    """Share over clusters (drives, days) whose cases go together: Wilson's interval for the number of cases that weigh
    as much as if they were independent.

    counts, totals: (k,) of each cluster. The design effect is the variance of the ratio between clusters over the
    binomial one, never below 1; with fewer than four clusters it cannot be told and the interval is plain.
    Source: Kish 1965, design effect of a ratio.
    """
    used = totals > 0
    counts, totals = counts[used], totals[used]
    total, clusters = float(totals.sum()), len(totals)
    if not total:
        return UNKNOWN
    share = float(counts.sum()) / total
    binomial = share * (1 - share) / total
    if clusters < 4 or not binomial:
        return wilson(float(counts.sum()), total)
    between = clusters / (clusters - 1) * float(((counts - share * totals) ** 2).sum()) / total**2
    effect = max(between / binomial, 1.0)
    return wilson(float(counts.sum()) / effect, total / effect)


def median_interval(values: FloatArray) -> Interval:
    """Median with the interval between two order statistics that covers it whatever the distribution.

    values: (n,), no NaN. With fewer than six no such interval of 95 % exists; then it reaches from the lowest to the
    highest. Source: binomial distribution of the number of values below the median.
    """
    n = len(values)
    if not n:
        return UNKNOWN
    ordered = np.sort(values)
    left_out = _left_out(n)
    return Interval(middle(ordered), float(ordered[left_out]), float(ordered[n - 1 - left_out]))


@lru_cache(maxsize=512)
def _left_out(n: int) -> int:
    """Values beyond either end of the interval of the median of n."""
    depth, below = 0, 0.5**n
    while below <= 0.025 and depth < n // 2:
        depth += 1
        below += math.comb(n, depth) * 0.5**n
    return max(depth - 1, 0)


def bootstrap_ratio(counts: FloatArray, totals: FloatArray) -> Interval:
    """Ratio of sums over clusters (days, vehicles) with its percentile interval when whole clusters are drawn anew,
    since what belongs to one goes together.

    counts, totals: (k,) of each cluster. With fewer than two clusters there is no interval. The same input gives the
    same interval. Source: Davison and Hinkley 1997, section 3.8, resampling of clusters.
    """
    used = totals > 0
    counts, totals = counts[used], totals[used]
    clusters = len(totals)
    if not clusters:
        return UNKNOWN
    ratio = float(counts.sum() / totals.sum())
    if clusters < 2:
        return Interval(ratio, math.nan, math.nan)
    drawn = np.random.default_rng(clusters).integers(0, clusters, (_ROUNDS, clusters))
    low, high = np.percentile(counts[drawn].sum(axis=1) / totals[drawn].sum(axis=1), [2.5, 97.5])
    return Interval(ratio, float(low), float(high))


def middle(values: FloatArray) -> float:
    """Median of a few values without NaN; numpy's own takes twenty times as long for so few. NaN of none."""
    n = len(values)
    if not n:
        return math.nan
    ordered = np.sort(values)
    return float(ordered[(n - 1) // 2] + ordered[n // 2]) / 2


@lru_cache(maxsize=8)
def normal_quantile(probability: float) -> float:
    """Quantile of the standard normal distribution."""
    from statistics import NormalDist

    return NormalDist().inv_cdf(probability)


@lru_cache(maxsize=1024)
def student_quantile(freedom: int, beyond: float) -> float:
    """Value past which the share `beyond` of Student's distribution lies, under 0.5; endless without freedom.

    To five digits. Source: Hill 1970, algorithm 396, which spares loading a library for one number.
    """
    if freedom < 1:
        return math.inf
    p = 2 * beyond
    if freedom == 1:
        return 1 / math.tan(p * math.pi / 2)
    if freedom == 2:
        return math.sqrt(2 / (p * (2 - p)) - 2)
    a = 1 / (freedom - 0.5)
    b = 48 / a**2
    c = ((20700 * a / b - 98) * a - 16) * a + 96.36
    d = ((94.5 / (b + c) - 3) / b + 1) * math.sqrt(a * math.pi / 2) * freedom
    y = (d * p) ** (2 / freedom)
    if y > 0.05 + a:
        x = normal_quantile(p / 2)
        y = x * x
        if freedom < 5:
            c += 0.3 * (freedom - 4.5) * (x + 0.6)
        c = (((0.05 * d * x - 5) * x - 7) * x - 2) * x + b + c
        y = (((((0.4 * y + 6.3) * y + 36) * y + 94.5) / c - y - 3) / b + 1) * x
        y = math.expm1(a * y * y)
    else:
        tail = 1 / (((freedom + 6) / (freedom * y) - 0.089 * d - 0.822) * (freedom + 2) * 3) + 0.5 / (freedom + 4)
        y = (tail * y - 1) * (freedom + 1) / (freedom + 2) + 1 / y
    return math.sqrt(freedom * y)
