"""Slopes, tests and intervals equal their published values and independent libraries."""

from __future__ import annotations

import math

import numpy as np
import pymannkendall
import pytest
from scipy.special import stdtrit
from scipy.stats import binomtest, theilslopes
from statsmodels.stats.proportion import proportion_confint

from fleet.classes import classes_of
from fleet.intervals import bootstrap_ratio, clustered_share, median_interval, student_quantile, wilson
from fleet.slopes import sen_slope

_Y = np.array([80, 79.5, 79.2, 78.6, 60, 77.9, 77.4, 77.1, 76.4, 76.2])


def test_the_slope_withstands_a_wild_value() -> None:
    slope = sen_slope(np.arange(10.0), _Y)
    assert slope is not None
    # source: scipy.stats.theilslopes; least squares would give -0.316
    assert slope.value == pytest.approx(-0.4222, abs=1e-4)
    assert slope.low == pytest.approx(-0.4667, abs=1e-4)
    assert slope.high == pytest.approx(-0.4, abs=1e-4)


def test_mann_and_kendall_see_the_fall() -> None:
    slope = sen_slope(np.arange(10.0), _Y)
    assert slope is not None
    assert slope.s == -35  # source: pymannkendall
    assert slope.z == pytest.approx(-3.041, abs=1e-3)
    assert slope.p == pytest.approx(0.00236, abs=1e-5)


@pytest.mark.parametrize("seed", range(20))
def test_with_one_class_the_slope_equals_two_independent_libraries(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(8, 60))
    x = np.sort(rng.choice(np.arange(100.0), n, replace=False))
    y = np.round(rng.normal(size=n) + 0.01 * seed * x, int(rng.integers(0, 3)))
    slope = sen_slope(x, y)
    assert slope is not None
    other = theilslopes(y, x, alpha=0.95)
    assert (slope.value, slope.low, slope.high) == pytest.approx((other[0], other[2], other[3]))
    test = pymannkendall.original_test(y)
    assert slope.s == test.s
    assert slope.z == pytest.approx(test.z)
    assert slope.p == pytest.approx(test.p)


def test_a_change_of_season_alone_is_no_slope() -> None:
    x = np.arange(40.0)
    cold = x >= 20
    y = np.where(cold, 9.0, 5.0) + 0.01 * np.sin(x * 7)
    plain, within = sen_slope(x, y), sen_slope(x, y, classes_of(cold.astype(int)))
    assert plain is not None
    assert within is not None
    assert plain.low > 0
    assert plain.value > 0.05
    assert within.low < 0 < within.high


def test_points_that_cannot_be_compared_give_no_slope() -> None:
    assert sen_slope(np.arange(3.0), np.arange(3.0), classes_of(range(3))) is None
    assert sen_slope(np.empty(0), np.empty(0)) is None


@pytest.mark.parametrize(
    ("count", "total", "low", "high"), [(0, 10, 0.0, 0.278), (8, 20, 0.219, 0.613), (45, 60, 0.628, 0.842)]
)
def test_a_share_has_wilsons_interval(count: int, total: int, low: float, high: float) -> None:
    ours = wilson(count, total)
    assert ours.low == pytest.approx(low, abs=1e-3)  # source: statsmodels
    assert ours.high == pytest.approx(high, abs=1e-3)
    assert (ours.low, ours.high) == pytest.approx(proportion_confint(count, total, method="wilson"), abs=1e-12)
    scipy = binomtest(count, total).proportion_ci(method="wilson")
    assert (ours.low, ours.high) == pytest.approx((scipy.low, scipy.high), abs=1e-12)


def test_no_case_at_all_says_nothing() -> None:
    assert math.isnan(wilson(0, 0).value)
    assert math.isnan(clustered_share(np.zeros(3), np.zeros(3)).low)


def test_drives_that_are_all_or_nothing_widen_the_interval() -> None:
    together = clustered_share(np.array([10.0, 0, 10, 0, 10, 0]), np.full(6, 10.0))
    apart = clustered_share(np.full(6, 5.0), np.full(6, 10.0))
    assert together.value == apart.value == 0.5
    # by hand: between = 6/5 * 6*25/3600 = 0.05, binomial = 0.25/60, effect 12, so as if 5 cases: Wilson of 2.5 in 5
    assert (together.low, together.high) == pytest.approx((wilson(2.5, 5).low, wilson(2.5, 5).high))
    assert apart.low == pytest.approx(wilson(30, 60).low)


def test_a_median_has_an_interval_of_order_statistics() -> None:
    # source: tables of the sign test: for n = 10 the interval from the 2nd to the 9th value covers 97.9 %
    ours = median_interval(np.arange(10.0))
    assert (ours.low, ours.value, ours.high) == (1.0, 4.5, 8.0)


def test_the_median_interval_covers_as_often_as_it_says() -> None:
    rng = np.random.default_rng(3)
    hits = sum((i := median_interval(rng.exponential(size=15))).low <= math.log(2) <= i.high for _ in range(2000))
    assert hits / 2000 > 0.94  # sampling error of 2000 draws is 0.5 points


def test_a_ratio_drawn_anew_by_drive_is_wider_than_by_standstill_and_repeatable() -> None:
    rng = np.random.default_rng(5)
    stopped = np.repeat(rng.uniform(0, 20, 12), 8)
    stood = np.full(96, 20.0)
    by_drive = bootstrap_ratio(stopped.reshape(12, 8).sum(axis=1), stood.reshape(12, 8).sum(axis=1))
    by_standstill = bootstrap_ratio(stopped, stood)
    assert by_drive.value == pytest.approx(by_standstill.value) == stopped.sum() / 1920
    assert by_drive.high - by_drive.low > 2 * (by_standstill.high - by_standstill.low)
    assert by_drive == bootstrap_ratio(stopped.reshape(12, 8).sum(axis=1), stood.reshape(12, 8).sum(axis=1))


def test_the_interval_of_a_ratio_covers_nearly_as_often_as_it_says() -> None:
    rng = np.random.default_rng(9)
    hits = 0
    for _ in range(400):
        totals = rng.uniform(60, 600, 20)
        drawn = bootstrap_ratio(totals * rng.beta(2, 2, 20), totals)
        hits += drawn.low <= 0.5 <= drawn.high
    # percentile intervals of 20 clusters fall short by two or three points; sampling error 1.2
    assert hits / 400 > 0.90


def test_one_cluster_has_a_ratio_and_no_interval() -> None:
    assert bootstrap_ratio(np.array([3.0]), np.array([4.0])).value == 0.75
    assert math.isnan(bootstrap_ratio(np.array([3.0]), np.array([4.0])).low)


@pytest.mark.parametrize("beyond", [0.025, 2e-3, 1e-5])
def test_students_quantile_equals_that_of_an_independent_library(beyond: float) -> None:
    for freedom in (1, 2, 3, 4, 5, 9, 10, 30, 80, 400):
        # source: the library's own function, stdtrit
        assert student_quantile(freedom, beyond) == pytest.approx(float(stdtrit(freedom, 1 - beyond)), rel=1e-5)
