"""Capacity from charge moved between rests, or the honest answer that it is not enough."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from estimator.battery import estimate_battery
from estimator.estimate import BatteryEstimate
from signal_defs.platform import Battery


def swinging(planted: Any, capacity: float, seed: int, resistance: float = 0.0045) -> BatteryEstimate:
    """Ten days: each with a discharge, a rest, a charge and a rest of eight hours."""
    leg = planted.Leg
    legs = [leg("park", 6 * 3600.0, -0.03)]
    amps = -0.25 * capacity / 4.0
    for _ in range(10):
        legs += [leg("park", 4 * 3600.0, amps), leg("park", 8 * 3600.0, -0.03), leg("crank")]
        legs += [leg("drive", 3600.0, volts=14.4, generator_a=-4.0 * amps * 0.98), leg("park", 8 * 3600.0, -0.03)]
    random = np.random.default_rng(seed)
    truth = planted.simulate(planted.TrueBattery(capacity=capacity, resistance=resistance), legs, 85.0)
    sensor = planted.Sensor(
        offset=0.05 * float(random.choice([-1, 1])), gain=1.01, voltage=float(random.uniform(-0.015, 0.015))
    )
    return estimate_battery(planted.record(truth, sensor, seed), planted.agm())


@pytest.mark.parametrize("capacity", [70.0, 56.0, 42.0])
def test_capacity_is_found_to_five_per_cent_with_ten_rests_and_twenty_points(planted: Any, capacity: float) -> None:
    found = swinging(planted, capacity, seed=int(capacity))
    assert found.capacity_ah.value == pytest.approx(capacity, rel=0.05)
    assert found.capacity_ah.low <= capacity <= found.capacity_ah.high
    assert found.capacity_ah.high - found.capacity_ah.value < 0.1 * capacity
    assert found.soh_percent.value == pytest.approx(100.0 * capacity / 70.0, rel=0.05)


def test_with_little_movement_the_answer_is_not_enough_and_what_is_needed(planted: Any) -> None:
    truth = planted.simulate(planted.TrueBattery(capacity=42.0), planted.week(1, 2, minutes=(3, 6)), 80.0)
    found = estimate_battery(planted.record(truth, planted.Sensor()), planted.agm())
    assert not found.capacity_ah.is_known
    assert not found.soh_percent.is_known
    assert "20 points are needed" in str(found.capacity_ah.unknown)


def test_without_the_batterys_own_curve_capacity_is_not_claimed_to_five_per_cent(planted: Any) -> None:
    leg = planted.Leg
    legs = [leg("park", 6 * 3600.0, -0.03), leg("park", 4 * 3600.0, -4.0), leg("park", 8 * 3600.0, -0.03)]
    truth = planted.simulate(planted.TrueBattery(), legs, 85.0)
    found = estimate_battery(planted.record(truth, planted.Sensor()), planted.agm(False))
    figure = found.capacity_ah
    assert not figure.is_known or figure.high - figure.low > 0.2 * figure.value


def test_a_high_resistance_keeps_capacity_from_being_claimed_by_the_acid_alone(planted: Any) -> None:
    # Plates lost while their acid stays: the acid tells 70 Ah, the resistance tells that something is amiss.
    found = swinging(planted, 70.0, seed=3, resistance=0.009)
    assert found.capacity_ah.low < 0.55 * found.capacity_ah.value
    assert any("plates lost" in str(text) for text in found.unknown)


def test_the_low_limit_of_capacity_is_what_the_battery_was_seen_to_hold(planted: Any) -> None:
    # A quarter of the capacity is drawn at a time, and what the drives charge beyond it: half is not proved.
    found = swinging(planted, 70.0, seed=7)
    assert 0.25 * 70.0 * 0.9 < found.capacity_ah.low < 0.5 * 70.0
    assert any("Proved is only what was drawn" in str(text) for text in found.unknown)
    assert found.fade is not None
    # plates lost would leave less, acid bound in sulphate make it more; the charge's own band allows for neither
    assert found.fade.charge_end.low < found.soc_end.low
    assert found.fade.charge_end.high > found.soc_end.high


@pytest.mark.parametrize("hours", [2.0, 3.0, 6.0])
def test_how_long_charging_goes_on_after_full_tells_nothing_of_the_capacity(planted: Any, hours: float) -> None:
    # Nights at 98.5 %, each followed by 10.5 Ah drawn and a rest at 83.5 %: 70 Ah. What is charged beyond is gas.
    soc, volts = zip(*planted.flooded_curve, strict=True)
    full, drawn = (float(np.interp(at, soc, volts)) for at in (98.5, 83.5))
    day = [(hours, 9.0, 14.4, 1500.0), (11.0, -0.03, full, 0.0), (3.0, -3.5, 12.2, 0.0), (9.0, -0.03, drawn, 0.0)]
    legs = np.array([(10.0, -0.03, drawn, 0.0), *(4 * day)])
    amps, terminal, rpm = np.repeat(legs[:, 1:], (360 * legs[:, 0]).astype(int), axis=0).T
    columns = {"battery_current": amps, "battery_voltage": terminal, "engine_speed": rpm}
    recording = planted.recording(10.0 * np.arange(len(amps)), columns | {"battery_temperature": 0.0 * amps + 25.0})
    fade = estimate_battery(recording, Battery("flooded", 70.0, ocv_v=planted.flooded_curve)).fade
    assert fade is not None
    figure = fade.acid_capacity_ah
    assert figure.value == pytest.approx(70.0, rel=0.03)
    assert figure.low < 70.0 < figure.high
