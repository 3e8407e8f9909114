"""estimate_battery on recordings that have little, nothing, or nonsense in them."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.recording import Recording
from estimator.battery import estimate_battery
from estimator.estimate import BatteryEstimate, Figure

ROLES = {
    "battery_voltage": (12.0, 3.0),
    "battery_current": (0.0, 100.0),
    "battery_temperature": (20.0, 40.0),
    "engine_speed": (500.0, 500.0),
    "battery_soc": (50.0, 30.0),
    "battery_soh": (80.0, 10.0),
    "starter_active": (0.5, 0.5),
    "engine_running": (0.5, 0.5),
    "ignition_on": (0.5, 0.5),
    "idle_stop_active": (0.5, 0.5),
    "battery_sensor_reset": (0.5, 0.5),
    "board_voltage": (12.0, 2.0),
    "vehicle_speed": (30.0, 30.0),
}


def figures(found: BatteryEstimate) -> list[Figure]:
    values = [getattr(found, name) for name in found.__slots__]
    return [value for value in values if isinstance(value, Figure)]


def check(found: BatteryEstimate) -> None:
    """What holds of every estimate."""
    assert all(figure.is_known != (figure.unknown is not None) for figure in figures(found))
    assert all(figure.low <= figure.value <= figure.high for figure in figures(found) if figure.is_known)
    assert not np.isnan(found.soc).any()
    assert ((found.soc_low <= found.soc) & (found.soc <= found.soc_high)).all()
    assert ((found.soc_low >= 0) & (found.soc_high <= 100)).all()
    assert (np.diff(found.time_ns) > 0).all()
    assert all(one.end_ns == other.start_ns for one, other in pairwise(found.phases))
    assert 0.0 <= found.coverage <= 1.0
    assert found.charged_ah >= 0 <= found.discharged_ah


def test_an_empty_recording_leaves_everything_unknown(planted: Any) -> None:
    found = estimate_battery(Recording(0, 0, absolute_time=False, frames=0, frames_decoded=0, traces={}), planted.agm())
    check(found)
    assert not any(figure.is_known for figure in figures(found))
    assert found.unknown


@pytest.mark.parametrize("volts", [12.5, 14.2, 0.0, 655.35, float("nan")])
@pytest.mark.parametrize("amps", [-0.03, -40.0, 30.0, -300.0, 1e6, float("nan")])
@pytest.mark.parametrize("count", [1, 2, 3, 700])
def test_constant_traces_never_fail(planted: Any, count: int, volts: float, amps: float) -> None:
    columns = {"battery_voltage": np.full(count, volts), "battery_current": np.full(count, amps)}
    check(estimate_battery(planted.recording(np.arange(float(count)), columns), planted.agm()))


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**31), decades=st.floats(1.0, 7.0), lost=st.floats(0.0, 0.9))
def test_noise_on_every_role_never_fails(planted: Any, seed: int, decades: float, lost: float) -> None:
    random = np.random.default_rng(seed)
    columns = {role: random.normal(middle, spread, 800) for role, (middle, spread) in ROLES.items()}
    for values in columns.values():
        values[random.random(800) < lost] = np.nan
    check(estimate_battery(planted.recording(np.sort(random.uniform(0, 10**decades, 800)), columns), planted.agm()))


def test_voltage_alone_gives_a_charge_at_rest_and_says_that_current_is_missing(planted: Any) -> None:
    columns = {"battery_voltage": np.full(30000, 12.62)}
    found = estimate_battery(planted.recording(np.arange(30000.0), columns), planted.agm())
    check(found)
    assert found.soc_end.low < 75.0 < found.soc_end.high  # planted: the curve has 12.62 V at 75 %
    assert any("No current" in str(text) for text in found.unknown)
    assert found.coverage == 0.0


def test_current_alone_gives_no_charge_in_disguise(planted: Any) -> None:
    columns = {"battery_current": np.full(30000, -0.05)}
    found = estimate_battery(planted.recording(np.arange(30000.0), columns), planted.agm())
    check(found)
    assert found.soc_end.high - found.soc_end.low > 60.0
    assert not found.capacity_ah.is_known
    assert not found.resistance_mohm.is_known


def test_the_battery_alone_tells_the_same_story_as_with_the_engines_signals(planted: Any) -> None:
    truth = planted.simulate(planted.TrueBattery(), planted.week(6, 3), 80.0)
    with_engine, alone = (
        estimate_battery(planted.record(truth, planted.Sensor(), engine=engine), planted.agm())
        for engine in (True, False)
    )
    check(alone)
    assert len(alone.starts) == len(with_engine.starts) == len(truth.cranks)
    assert alone.soc_end.value == pytest.approx(with_engine.soc_end.value, abs=0.5)
    restarts = [sum(start.kind == "restart" for start in found.starts) for found in (with_engine, alone)]
    assert restarts[1] >= 0.85 * restarts[0]
    assert len(alone.rests) == len(with_engine.rests)


def test_a_changed_battery_is_found_and_the_estimate_cut_there(planted: Any) -> None:
    worn, new = planted.TrueBattery(resistance=0.009, capacity=45.0), planted.TrueBattery()
    before = planted.simulate(worn, planted.week(1, 3), 60.0)
    after = planted.simulate(new, planted.week(2, 3), 95.0)
    parts = [planted.record(truth, planted.Sensor()) for truth in (before, after)]
    shift = before.time_s[-1] + 5400.0
    time_s = np.concatenate((before.time_s, np.array(after.time_s) + shift))
    columns = {
        role: np.concatenate((trace.value, parts[1].traces[role].value)) for role, trace in parts[0].traces.items()
    }
    found = estimate_battery(planted.recording(time_s, columns), planted.agm())
    check(found)
    (change,) = found.battery_changes
    assert planted.start_ns / 1e9 + before.time_s[-1] - 60 < change.time_ns / 1e9 < planted.start_ns / 1e9 + shift + 60
    assert found.resistance_mohm.value == pytest.approx(4.55, rel=0.05)  # the new battery's
    assert found.soc_start.low <= 60.0 <= found.soc_start.high
    assert found.soc_end.low <= after.soc[-1] <= found.soc_end.high


def test_a_cold_snap_is_no_changed_battery(planted: Any) -> None:
    legs = [*planted.week(1, 3), planted.Leg("park", 3600.0, -0.03, celsius=-15.0), *planted.week(2, 3)]
    truth = planted.simulate(planted.TrueBattery(), legs, 80.0)
    assert estimate_battery(planted.record(truth, planted.Sensor()), planted.agm()).battery_changes == ()


def test_drives_balance_what_was_charged_and_drawn(planted: Any) -> None:
    truth = planted.simulate(planted.TrueBattery(), planted.week(3, 2), 70.0)
    found = estimate_battery(planted.record(truth, planted.Sensor()), planted.agm())
    assert len(found.drives) == 4  # planted: two a day
    net = sum(drive.charged_ah - drive.discharged_ah for drive in found.drives)
    assert net == pytest.approx((truth.soc[-1] - truth.soc[0]) * 0.7 + 45.0 * 0.03, abs=1.5)  # and 45 h at 30 mA
    assert all(drive.max_v == pytest.approx(14.4, abs=0.05) for drive in found.drives)
    assert found.charged_ah - found.discharged_ah == pytest.approx((truth.soc[-1] - truth.soc[0]) * 0.7, abs=1.5)
    assert found.charge_acceptance_a_per_ah.is_known
