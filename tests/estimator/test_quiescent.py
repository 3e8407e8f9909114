"""What the parked vehicle draws."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from estimator.battery import estimate_battery
from estimator.estimate import Figure
from estimator.grid import build_grid
from estimator.quiescent import days_until, measure_draw
from signal_defs.platform import Condition, IdleStopRules

HOUR = 3600.0


def night(planted: Any, current: Any) -> Any:
    """A twelve-hour rest at one sample in five seconds; current: seconds -> A."""
    time_s = np.arange(0.0, 12 * HOUR, 5.0)
    columns = {"battery_current": current(time_s), "battery_voltage": np.full(len(time_s), 12.6)}
    return planted.recording(time_s, columns)


def test_falling_asleep_and_wake_ups_are_told_from_sleep(planted: Any) -> None:
    def current(time_s: Any) -> Any:
        amps = np.where(time_s < 1200.0, -4.0, -0.024)
        amps[(time_s >= 6 * HOUR) & (time_s < 6 * HOUR + 90.0)] = -1.924
        return amps

    grid = build_grid(night(planted, current))
    draw = measure_draw(grid, int(grid.time_ns[0]), int(grid.time_ns[-1]))
    assert draw.asleep_ma == pytest.approx(-24.0, abs=0.5)
    (wake,) = draw.wake_ups
    assert wake.charge_ah == pytest.approx(1.9 * 90.0 / HOUR, abs=0.003)  # by hand
    assert (wake.end_ns - wake.start_ns) / 1e9 == pytest.approx(90.0, abs=10.0)
    # by hand: (4.0 * 1200 + 1.924 * 90 + 0.024 * 41910) / 43200 s
    assert draw.mean_ma == pytest.approx(-138.4, abs=1.0)


def test_one_wake_up_of_ninety_seconds_adds_four_milliampere_to_a_night(planted: Any) -> None:
    def current(time_s: Any) -> Any:
        return np.where((time_s >= 6 * HOUR) & (time_s < 6 * HOUR + 90.0), -1.924, -0.024)

    grid = build_grid(night(planted, current))
    draw = measure_draw(grid, int(grid.time_ns[0]), int(grid.time_ns[-1]))
    assert draw.mean_ma - draw.asleep_ma == pytest.approx(-4.0, abs=0.3)  # by hand: 1.9 A * 90 s / 43200 s


def test_days_until_a_limit_are_charge_over_draw() -> None:
    sure = Figure(90.0, 90.0, 90.0), Figure(70.0, 70.0, 70.0), Figure(-50.0, -50.0, -50.0)
    days = days_until(66.0, *sure)
    # by hand: 24 points of 70 Ah are 16.8 Ah, 14 days at 50 mA; self-discharge of 0.1 % a day is 6 % of the fall
    assert 12.0 < days.value < 14.0
    assert days.low < days.value < days.high


def test_a_drain_shortens_the_days_to_the_idle_stop_threshold(planted: Any) -> None:
    rules = IdleStopRules(conditions=(Condition("charge", "electrical", "battery_soc", at_least=75.0),))
    leg = planted.Leg
    days = []
    for amps in (-0.02, -0.4):
        legs = [leg("crank"), leg("drive", 900.0), leg("park", 12 * HOUR, amps)]
        truth = planted.simulate(planted.TrueBattery(), legs, 92.0)
        found = estimate_battery(planted.record(truth, planted.Sensor()), planted.agm(), rules=rules)
        assert found.rests[-1].asleep_ma == pytest.approx(1e3 * amps, abs=40.0)
        days.append(found.days_to_idle_stop_limit)
        assert found.days_to_no_start.value > found.days_to_idle_stop_limit.value
    assert days[1].high < 3.0 < days[0].value  # by hand: at 0.4 A 15 points of 70 Ah last 26 hours


def test_without_a_threshold_the_days_to_it_are_unknown(planted: Any) -> None:
    found = estimate_battery(night(planted, lambda time_s: np.full(len(time_s), -0.03)), planted.agm())
    assert not found.days_to_idle_stop_limit.is_known
    assert "no lowest state of charge" in str(found.days_to_idle_stop_limit.unknown)


def test_a_single_night_cannot_tell_the_draw_from_the_sensors_offset(planted: Any) -> None:
    found = estimate_battery(night(planted, lambda time_s: np.full(len(time_s), -0.03)), planted.agm())
    assert not found.current_offset_a.is_known
    assert found.quiescent_ma.high - found.quiescent_ma.low > 100.0  # [mA], the offset's prior of 60 mA and all
