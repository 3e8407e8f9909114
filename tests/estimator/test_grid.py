"""The one-second grid and its exact charge."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.recording import Faults
from estimator.grid import build_grid, integrate

HOUR = 3600.0


def test_fourteen_days_of_fifty_milliampere_are_a_quarter_of_seventy_ah(planted: Any) -> None:
    time_s = np.arange(0.0, 14 * 24 * HOUR + 1.0, 20.0)
    grid = build_grid(planted.recording(time_s, {"battery_current": np.full(len(time_s), -0.05)}))
    assert grid.charge_ah[-1] == pytest.approx(-16.8, abs=0.01)  # by hand: 0.05 A * 336 h
    assert 100.0 * grid.charge_ah[-1] / 70.0 == pytest.approx(-24.0, abs=0.1)


def test_a_ramp_is_integrated_exactly(planted: Any) -> None:
    time_s = np.array([0.0, 0.3, 0.95, 1.0, 2.5, 3.1, 4.0])
    grid = build_grid(planted.recording(time_s, {"battery_current": 10.0 * time_s}))
    assert grid.charge_ah[-1] * HOUR == pytest.approx(80.0)  # by hand: 10 * 4^2 / 2 ampere seconds
    assert grid.charge_ah[0] * HOUR == pytest.approx(5.0, abs=0.5)  # the first second, its end between two samples


def test_a_gap_is_not_integrated_and_lowers_the_coverage(planted: Any) -> None:
    time_s = np.concatenate((np.arange(0.0, 600.0, 0.1), 600.0 + 2400.0 + np.arange(0.0, 600.0, 0.1)))
    grid = build_grid(planted.recording(time_s, {"battery_current": np.full(len(time_s), -36.0)}))
    assert grid.charge_ah[-1] == pytest.approx(-12.0, abs=0.01)  # by hand: 36 A * 1200 s, the 40 min left out
    assert grid.covered_s[-1] == pytest.approx(1200.0, abs=1.0)
    assert grid.uncovered_s.max() == pytest.approx(2400.0, abs=2.0)


def test_nothing_is_integrated_across_a_clock_step(planted: Any) -> None:
    recording = planted.recording(np.arange(0.0, 100.0, 0.5), {"battery_current": np.full(200, 3600.0)})
    step_ns = planted.start_ns + 50_000_000_000
    stepped = replace(recording, faults=Faults(clock_steps_ns=(step_ns,)))
    lost = build_grid(recording).charge_ah[-1] - build_grid(stepped).charge_ah[-1]
    assert lost == pytest.approx(1.0, abs=0.01)  # the two intervals at the step, half a second each, 3600 A


def test_a_sensor_that_sends_rarely_while_asleep_has_no_gaps_there(planted: Any) -> None:
    time_s = np.concatenate((np.arange(0.0, 100.0, 0.1), np.arange(100.0, 100.0 + HOUR, 60.0)))
    grid = build_grid(planted.recording(time_s, {"battery_current": np.full(len(time_s), -1.0)}))
    assert grid.covered_s[-1] == pytest.approx(time_s[-1], rel=0.02)


def test_invalid_samples_count_as_silence(planted: Any) -> None:
    time_s = np.arange(0.0, 100.0, 0.5)
    current = np.full(200, 10.0)
    current[50:150] = np.nan
    grid = build_grid(planted.recording(time_s, {"battery_current": current, "battery_voltage": np.full(200, 12.0)}))
    assert grid.covered_s[-1] == pytest.approx(49.5, abs=1.0)
    assert len(grid) == 100
    assert np.isnan(grid.current[30:70]).all()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0.01, 0.9), st.floats(-500.0, 500.0)), min_size=2, max_size=60))
def test_the_charge_of_any_samples_is_their_trapezoids(samples: list[tuple[float, float]]) -> None:
    time_s = np.cumsum([step for step, _ in samples])
    current = np.array([value for _, value in samples])
    time_ns = np.round(time_s * 1e9).astype(np.int64)
    at = np.array([time_ns[-1] + 10**9])
    charge, charged, covered = integrate(time_ns, current, np.zeros(0, dtype=np.int64), at)
    assert charge[0] * HOUR == pytest.approx(float(np.trapezoid(current, time_ns / 1e9)), abs=1e-6)  # source: NumPy
    assert charged[0] >= max(charge[0], 0.0) - 1e-12
    assert covered[0] == pytest.approx((time_ns[-1] - time_ns[0]) / 1e9)
