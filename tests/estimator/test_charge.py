"""Planted truths found again: the charge within its band, with the sensor's errors of the goals.

Sensor: 50 mA offset, 1 % gain, up to 15 mV, noise, quantisation; start unknown; the battery's own curve given.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from decoder.frames import BoolArray, FloatArray
from estimator.battery import estimate_battery
from estimator.estimate import BatteryEstimate
from signal_defs.platform import Battery

LONG_NS = 4 * 3600 * 10**9


@dataclass(frozen=True)
class Case:
    battery: dict[str, Any]
    legs: Callable[[Any, int], list[Any]]
    rmse: float  # [points]
    worst: float
    flooded: bool = False


def a_week(planted: Any, seed: int) -> list[Any]:
    return list(planted.week(seed))


def short_trips(planted: Any, seed: int) -> list[Any]:
    return list(planted.week(seed, minutes=(3, 8)))


def long_park(planted: Any, seed: int) -> list[Any]:
    return [*planted.week(seed, 2), planted.Leg("park", 10 * 86400.0, -0.05), *planted.week(seed + 1, 2)]


def deep(planted: Any, seed: int) -> list[Any]:
    """Every day 25 points drawn in the night, returned by an hour and more of driving."""
    legs = []
    for day in range(7):
        legs += [planted.Leg("park", 5 * 3600.0, -3.5), planted.Leg("park", 5 * 3600.0, -0.03)]
        legs += planted.week(seed * 31 + day, 1, minutes=(45, 80))
    return legs


def cold(planted: Any, seed: int) -> list[Any]:
    return [planted.Leg("park", 60.0, -0.03, celsius=-10.0), *planted.week(seed)]


def hot(planted: Any, seed: int) -> list[Any]:
    return [planted.Leg("park", 60.0, -0.03, celsius=45.0), *planted.week(seed)]


CASES = {
    # the goals this project set itself, after the first rest over four hours
    "mixed driving": Case({}, a_week, 1.5, 2.2),
    "short trips": Case({}, short_trips, 1.5, 2.2),
    "long park": Case({}, long_park, 1.5, 2.2),
    "deep": Case({}, deep, 1.5, 2.2),
    "cold": Case({}, cold, 1.5, 2.2),
    "hot": Case({}, hot, 1.5, 2.2),
    "flooded": Case({}, deep, 2.2, 3.5, flooded=True),
    "slow relaxation": Case({"slow_v": (0.1, -0.05)}, deep, 2.5, 4.5),
    "strong gassing": Case({"gassing": 20.0}, deep, 3.0, 5.0),
    "faded to 80 %": Case({"capacity": 56.0}, deep, 2.5, 5.0),
    "faded to 60 %": Case({"capacity": 42.0}, deep, 2.5, 5.0),
}


def estimate(planted: Any, case: Case, seed: int, own_curve: bool = True) -> tuple[BatteryEstimate, FloatArray, Any]:
    """The estimate, the true charge on its rows, and the sensor's errors."""
    random = np.random.default_rng(seed)
    curve = {"curve": planted.flooded_curve} if case.flooded else {}
    truth = planted.simulate(
        planted.TrueBattery(**case.battery, **curve), case.legs(planted, seed), random.uniform(50, 95)
    )
    sensor = planted.Sensor(
        offset=float(random.choice([-0.05, 0.05])),
        gain=float(random.choice([0.99, 1.01])),
        voltage=float(random.uniform(-0.015, 0.015)),
    )
    battery = Battery("flooded", 70.0, ocv_v=planted.flooded_curve) if case.flooded else planted.agm(own_curve)
    recording = planted.record(truth, sensor, seed, engine=seed % 2 == 0)
    found = estimate_battery(recording, battery)
    true_ns = planted.start_ns + np.round(np.array(truth.time_s) * 1e9).astype(np.int64)
    row = np.searchsorted(true_ns, found.time_ns + 10**9 - 1).clip(0, len(true_ns) - 1)
    return found, np.array(truth.soc)[row], sensor


def after_first_long_rest(found: BatteryEstimate) -> BoolArray:
    first = next(rest for rest in found.rests if rest.end_ns - rest.start_ns > LONG_NS)
    return np.asarray(found.time_ns >= first.end_ns)


def held(found: BatteryEstimate, true: FloatArray) -> BoolArray:
    """Where the band holds the truth, to the tenth of a point that is shown."""
    return np.asarray((found.soc_low - 0.05 <= true) & (true <= found.soc_high + 0.05))


@pytest.mark.parametrize("name", CASES)
def test_the_charge_is_found_and_its_band_holds_it(planted: Any, name: str) -> None:
    case = CASES[name]
    errors, inside, width = [], [], []
    for seed in (1, 2) if case.legs is not deep else (1,):
        found, true, _ = estimate(planted, case, seed)
        late = after_first_long_rest(found)
        errors.append((found.soc - true)[late])
        inside.append(held(found, true).mean())
        width.append((found.soc_high - found.soc_low)[late].mean())
    error = np.concatenate(errors)
    assert float(np.sqrt((error**2).mean())) < case.rmse
    assert float(np.abs(error).max()) < case.worst
    assert min(inside) > 0.95
    # No wider than twice what the errors need: +/-15 mV are +/-1.35 points (AGM), +/-2 (flooded); counting adds.
    # The voltage's temperature coefficient is from memory: 0.2 mV/K in doubt over 35 K are 1.2 points more either way.
    assert max(width) < (7.0 if case.flooded or name == "cold" else 5.5)


def test_before_any_rest_the_band_is_wide_and_holds_the_truth(planted: Any) -> None:
    leg = planted.Leg
    for seed in range(12):
        random = np.random.default_rng(seed)
        start = float(random.uniform(45.0, 98.0))
        legs = [leg("crank"), *planted.week(seed, 1)[3:12]]
        truth = planted.simulate(planted.TrueBattery(), legs, start)
        found = estimate_battery(planted.record(truth, planted.Sensor(offset=0.05), seed), planted.agm())
        true = np.interp(found.time_ns / 1e9 + 1.0, planted.start_ns / 1e9 + np.array(truth.time_s), truth.soc)
        assert held(found, true).mean() > 0.95
        assert (found.soc_high - found.soc_low).mean() > 15.0
        assert not any(rest.settled == "settled" for rest in found.rests)


def test_half_an_hour_of_rest_already_says_something(planted: Any) -> None:
    leg = planted.Leg
    widths = []
    for minutes in (0.0, 30.0, 240.0):
        legs = [leg("crank"), leg("drive", 900.0), leg("park", 60.0 * minutes, -0.03)]
        truth = planted.simulate(planted.TrueBattery(), legs, 70.0)
        found = estimate_battery(planted.record(truth, planted.Sensor()), planted.agm())
        widths.append(found.soc_end.high - found.soc_end.low)
        assert found.soc_end.low <= truth.soc[-1] <= found.soc_end.high
    assert widths[1] < 0.8 * widths[0]
    assert widths[2] < 0.5 * widths[1]


def test_the_types_curve_gives_a_band_as_wide_as_its_sources_disagree(planted: Any) -> None:
    found, true, _ = estimate(planted, CASES["mixed driving"], 3, own_curve=False)
    assert held(found, true).all()
    half = 0.5 * (found.soc_high - found.soc_low)[after_first_long_rest(found)]
    assert half.min() > 7.0  # source: two published flooded tables and rules, 50 mV over 7.6 mV per point


def test_the_sensors_offset_is_found_within_its_band(planted: Any) -> None:
    for seed in (4, 5):
        found, _, sensor = estimate(planted, CASES["long park"], seed)
        offset = found.current_offset_a
        assert offset.low <= sensor.offset <= offset.high
        assert offset.value == pytest.approx(sensor.offset, abs=0.015)  # [A], 15 mA: 0.36 Ah a day
        quiescent = found.quiescent_ma
        assert quiescent.low <= -43.0 <= quiescent.high  # planted: -30 and -50 mA, by their hours


def test_a_night_in_which_the_bus_sleeps_still_is_a_rest(planted: Any) -> None:
    leg = planted.Leg
    legs = [leg("crank"), leg("drive", 1200.0), leg("park", 600.0, -0.03), leg("park", 9 * 3600.0, -0.03)]
    truth = planted.simulate(planted.TrueBattery(), [*legs, leg("park", 60.0, -0.03)], 70.0)
    whole = planted.record(truth, planted.Sensor())
    time_s = np.array(truth.time_s)
    keep = (time_s < 1800.0) | (time_s > time_s[-1] - 60.0)
    columns = {role: trace.value[keep] for role, trace in whole.traces.items()}
    found = estimate_battery(planted.recording(time_s[keep], columns), planted.agm())
    assert found.soc_end.low <= truth.soc[-1] <= found.soc_end.high
    assert found.soc_end.high - found.soc_end.low < 6.0
    assert found.coverage < 0.1
    assert np.isnan(found.rests[0].mean_ma)  # the draw of an unseen night is unknown


def test_a_battery_at_the_end_of_its_charge_says_nearly_full(planted: Any) -> None:
    leg = planted.Leg
    truth = planted.simulate(planted.TrueBattery(), [leg("crank"), leg("drive", 5 * 3600.0)], 90.0)
    found = estimate_battery(planted.record(truth, planted.Sensor(offset=0.05)), planted.agm())
    assert len(found.full_charges_ns) == 1
    assert found.soc_end.low <= truth.soc[-1] <= found.soc_end.high
    assert found.soc_end.low > 90.0


def test_a_voltage_above_the_types_full_does_not_lift_the_charge_before_it_to_full(planted: Any) -> None:
    # The type's table ends at 12.90 V; this battery has 13.00 V, and the sensor adds 15 mV: ten points too much.
    leg = planted.Leg
    drives = [leg("drive", 1500.0), leg("park", 6 * 86400.0, -0.05), leg("crank"), leg("drive", 2400.0)]
    curve = tuple((soc, volts + 0.1) for soc, volts in planted.agm().ocv_v)
    truth = planted.simulate(
        planted.TrueBattery(curve=curve), [leg("crank"), *drives, leg("park", 43200.0, -0.03)], 80.0
    )
    found = estimate_battery(planted.record(truth, planted.Sensor(voltage=0.015)), planted.agm(False))
    true = np.interp(found.time_ns / 1e9 + 1.0, planted.start_ns / 1e9 + np.array(truth.time_s), truth.soc)
    assert np.abs(found.soc - true).max() < 10.0
