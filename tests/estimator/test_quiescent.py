"""What the parked vehicle draws."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from estimator.battery import estimate_battery
from estimator.estimate import Figure, WakeUp
from estimator.grid import build_grid
from estimator.quiescent import Draw, days_until, mean_parked, measure_draw, quiescent_figure
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


def test_lamps_left_on_for_an_hour_do_not_shorten_the_days_of_a_vehicle_left_alone() -> None:
    hour_ns = 3_600_000_000_000
    lamps = WakeUp(0, hour_ns, 9.0)
    unit = WakeUp(5 * hour_ns, 5 * hour_ns + hour_ns // 30, 2.0 / 30.0)
    figure = mean_parked([Draw(-800.0, -30.0, 10.0, 12.0, (lamps, unit))], Figure(-30.0, -40.0, -20.0))
    assert figure.value == pytest.approx(-30.0 - 2000.0 / 30.0 / 12.0)  # by hand: 2 A for two minutes in 12 hours


def test_without_a_threshold_the_days_to_it_are_unknown(planted: Any) -> None:
    found = estimate_battery(night(planted, lambda time_s: np.full(len(time_s), -0.03)), planted.agm())
    assert not found.days_to_idle_stop_limit.is_known
    assert "no lowest state of charge" in str(found.days_to_idle_stop_limit.unknown)


def test_a_single_night_cannot_tell_the_draw_from_the_sensors_offset(planted: Any) -> None:
    found = estimate_battery(night(planted, lambda time_s: np.full(len(time_s), -0.03)), planted.agm())
    assert not found.current_offset_a.is_known
    # common practice: 20 mA is a sound vehicle's draw, 90 mA is near what counts as excessive; both are possible
    assert found.quiescent_ma.low < -90.0
    assert found.quiescent_ma.high > -20.0


@pytest.mark.parametrize("offset", [0.05, -0.05])
def test_four_nights_tell_a_drain_of_90_milliampere_from_30_with_a_sensor_that_is_50_off(
    planted: Any, offset: float
) -> None:
    sensor = planted.Sensor(offset=offset, gain=1.01, voltage=0.015)
    drawn = []
    for amps in (-0.03, -0.09):
        truth = planted.simulate(planted.TrueBattery(), planted.week(1, 4, park_a=amps), 85.0)
        figure = estimate_battery(planted.record(truth, sensor), planted.agm()).quiescent_ma
        assert figure.low <= 1e3 * amps <= figure.high  # planted
        drawn.append(figure)
    assert drawn[1].high < -40.0
    assert drawn[0].low > -75.0


def test_in_a_cold_week_the_sensors_zero_is_that_of_the_cold(planted: Any) -> None:
    legs = [planted.Leg("park", 60.0, -0.03, celsius=-12.0), *planted.week(4, 6)]
    truth = planted.simulate(planted.TrueBattery(), legs, 85.0, temperature=-12.0)
    found = estimate_battery(planted.record(truth, planted.Sensor(offset=0.05)), planted.agm())
    assert found.current_offset_a.low <= 0.05 <= found.current_offset_a.high  # planted, at -12 degC
    assert found.current_offset_a.high - found.current_offset_a.low < 0.09
    assert found.quiescent_ma.low <= -30.0 <= found.quiescent_ma.high


def test_a_sleeping_vehicle_draws_whatever_the_sensor_reads() -> None:
    draw = Draw(15.0, 15.0, 10.0, 12.0, ())  # a sensor that adds 40 mA reads 25 mA drawn as 15 mA charged
    figure = quiescent_figure([draw], Figure(0.0, -0.0784, 0.0784))
    # by hand: N(15, 40) below zero; its median is 15 + 40 * z(0.5 * 0.354) = 15 - 40 * 0.927
    assert figure.value == pytest.approx(-22.1, abs=0.5)
    assert figure.high < 0.0


def test_a_vehicle_charged_while_parked_is_told_as_charged() -> None:
    figure = quiescent_figure([Draw(900.0, 900.0, 10.0, 12.0, ())], Figure(0.0, -0.08, 0.08))
    assert figure.value == pytest.approx(900.0, abs=1.0)
