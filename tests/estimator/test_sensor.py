"""The sensor judged."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from decoder.recording import Recording, Trace
from estimator.battery import estimate_battery
from estimator.estimate import SensorJudgement


@pytest.fixture(scope="module")
def week(planted: Any) -> tuple[Any, Recording]:
    truth = planted.simulate(planted.TrueBattery(), planted.week(1, 4), 85.0)
    return truth, planted.record(truth, planted.Sensor())


def judged(planted: Any, recording: Recording, **roles: Any) -> SensorJudgement:
    pattern = recording.traces["battery_current"]
    extra = {
        role: Trace(role, "bus/Message.x", "", pattern.time_ns, np.asarray(value, dtype=float), np.isfinite(value))
        for role, value in roles.items()
    }
    sensor = estimate_battery(replace(recording, traces={**recording.traces, **extra}), planted.agm()).sensor
    assert sensor is not None
    return sensor


def test_an_honest_sensor_shows_no_fault(planted: Any, week: tuple[Any, Recording]) -> None:
    truth, recording = week
    sensor = judged(planted, recording, battery_soc=np.round(truth.soc))
    assert sensor.sign_wrong is False
    assert sensor.soc_constant is False
    assert sensor.soc_steps == ()
    assert sensor.soc_difference.value == pytest.approx(0.0, abs=1.0)


def test_a_charge_that_never_moves_is_seen(planted: Any, week: tuple[Any, Recording]) -> None:
    truth, recording = week
    sensor = judged(planted, recording, battery_soc=np.full(len(truth.soc), 80.0))
    assert sensor.soc_constant is True
    assert sensor.soc_constant_value == 80.0


def test_a_jump_at_wake_up_is_seen_with_its_size(planted: Any, week: tuple[Any, Recording]) -> None:
    truth, recording = week
    own = np.array(truth.soc)
    half = len(own) // 2
    own[:half] += 20.0
    sensor = judged(planted, recording, battery_soc=np.minimum(own, 120.0))
    (step,) = sensor.soc_steps
    assert step.after - step.before == pytest.approx(-20.0, abs=0.5)
    assert sensor.soc_difference.value == pytest.approx(10.0, abs=4.0)


def test_a_wrongly_coded_capacity_shows_in_how_the_sensor_counts(planted: Any, week: tuple[Any, Recording]) -> None:
    truth, recording = week
    own = 70.0 + 70.0 / 95.0 * (np.array(truth.soc) - truth.soc[0])  # counts as if the battery had 95 Ah
    sensor = judged(planted, recording, battery_soc=own, battery_capacity_coded=np.full(len(own), 136.0))
    assert sensor.counted_capacity_ah.value == pytest.approx(95.0, rel=0.07)
    assert sensor.coded_capacity_percent == 136.0


def test_a_reset_and_an_implausible_charge_are_told(planted: Any, week: tuple[Any, Recording]) -> None:
    truth, recording = week
    late = (np.arange(len(truth.soc)) > 0.75 * len(truth.soc)).astype(float)
    sensor = judged(planted, recording, battery_sensor_reset=late, battery_soc_plausible=1.0 - late)
    assert sensor.reset_seen is True
    assert sensor.reset_ns is not None
    assert sensor.implausible_share == pytest.approx(0.25, abs=0.01)
    assert judged(planted, recording).reset_seen is None


def test_a_sign_turned_round_is_seen_at_the_cranks(planted: Any, week: tuple[Any, Recording]) -> None:
    _, recording = week
    current = recording.traces["battery_current"]
    sensor = judged(planted, recording, battery_current=-current.value)
    assert sensor.sign_wrong is True
    assert sensor.inverted_cranks > 10


def test_a_sign_turned_round_is_put_right_and_said(planted: Any, week: tuple[Any, Recording]) -> None:
    _, recording = week
    current = recording.traces["battery_current"]
    turned = replace(recording, traces={**recording.traces, "battery_current": replace(current, value=-current.value)})
    found, right = (estimate_battery(each, planted.agm()) for each in (turned, recording))
    assert found.soc_end == right.soc_end
    assert any("sign was turned round" in str(text) for text in found.unknown)


def test_a_bad_ground_shows_as_a_slope_between_two_voltages(planted: Any, week: tuple[Any, Recording]) -> None:
    _, recording = week
    traces = recording.traces
    board = traces["battery_voltage"].value - 0.1 + 0.012 * traces["battery_current"].value
    assert judged(planted, recording, board_voltage=board).board_resistance_mohm.value == pytest.approx(12.0, abs=0.5)
    level = traces["battery_voltage"].value - 0.3
    flat = judged(planted, recording, board_voltage=level).board_resistance_mohm
    assert flat.low <= 0.0 <= flat.high


def test_a_state_of_health_that_cannot_be_checked_says_so(planted: Any, week: tuple[Any, Recording]) -> None:
    truth, recording = week
    sensor = judged(planted, recording, battery_soh=np.full(len(truth.soc), 100.0))
    assert not sensor.soh_difference.is_known
    assert "100 %" in str(sensor.soh_difference.unknown)
