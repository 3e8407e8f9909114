"""Resistance of the recording's cranks together, and the next crank foretold."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from estimator.battery import estimate_battery
from estimator.cranking import next_crank, predictions_one_ahead, rated_resistance, temperature_log_factor
from estimator.estimate import BatteryEstimate, Figure, Start, unknown_figure
from estimator.ocv import curve_of
from signal_defs.platform import Battery
from signal_defs.text import Text


@pytest.fixture(scope="module")
def autumn(planted: Any) -> tuple[BatteryEstimate, Any]:
    """Two weeks, one drive a day, 25 to -15 degC in no order."""
    random = np.random.default_rng(3)
    legs = []
    for day in range(14):
        celsius = float(random.uniform(-15.0, 25.0))
        legs += [planted.Leg("park", 6 * 3600.0, -0.03, celsius=celsius), *planted.week(day, 1)[:14]]
    truth = planted.simulate(planted.TrueBattery(), legs, 85.0)
    return estimate_battery(planted.record(truth, planted.Sensor()), planted.agm()), truth


def test_cold_doubles_the_resistance_about() -> None:
    factor = math.exp(float(temperature_log_factor(np.array(-18.0))))
    assert 1.6 <= factor <= 2.2  # from memory: x 1.6-2.2 of 25 degC
    near = float(temperature_log_factor(np.array(19.0)) - temperature_log_factor(np.array(21.0)))
    assert near / 2.0 == pytest.approx(0.01, abs=0.003)  # from memory: about 1 % a kelvin near 20 degC


def test_a_new_batterys_resistance_follows_from_its_rating() -> None:
    assert 1e3 * rated_resistance(Battery("agm", 70.0, 760.0, "EN")) == pytest.approx(3.55, abs=0.01)  # 2.7 V / 760 A
    assert 2.5 < 1e3 * rated_resistance(Battery("agm", 80.0)) < 4.5  # from memory: AGM 70-95 Ah 2.5-4 mOhm


def test_resistance_at_25_degc_is_found_from_cranks_at_all_temperatures(autumn: tuple[BatteryEstimate, Any]) -> None:
    found, _ = autumn
    # planted: 4.5 mOhm, and what 0.8 s of the minute's pair adds, 3 mOhm * (1 - exp(-0.4 / 60)) at the crank's middle
    assert found.resistance_mohm.value == pytest.approx(4.52, rel=0.05)
    each = np.array([start.resistance_mohm.value for start in found.starts])
    assert float(np.median(np.abs(each / np.median(each) - 1.0))) < 0.03
    assert float(np.abs(each / np.median(each) - 1.0).max()) < 0.12


def test_a_resolved_crank_gives_its_resistance_to_three_per_cent(planted: Any) -> None:
    errors = []
    for ohm in (0.0035, 0.006, 0.009):
        truth = planted.simulate(planted.TrueBattery(resistance=ohm), planted.week(2, 1), 85.0)
        found = estimate_battery(planted.record(truth, planted.Sensor(gain=1.01, offset=0.05)), planted.agm())
        errors += [start.resistance_mohm.value / (1e3 * ohm + 0.02) - 1.0 for start in found.starts]
        assert found.resistance_mohm.low <= 1e3 * ohm + 0.05
        assert found.resistance_mohm.high >= 1e3 * ohm
    assert float(np.median(np.abs(errors))) < 0.03
    assert float(np.abs(errors).max()) < 0.08


def test_each_crank_is_foretold_by_those_before_it(
    planted: Any, autumn: tuple[BatteryEstimate, Any], record_property: Any
) -> None:
    found, _ = autumn
    told = predictions_one_ahead(found.starts, curve_of(planted.agm()))
    real = np.array([start.min_v for start in found.starts[1:]])
    error = np.array([figure.value for figure in told]) - real
    as_last_time = np.array([start.min_v for start in found.starts[:-1]]) - real
    inside = np.mean([figure.low <= volts <= figure.high for figure, volts in zip(told, real, strict=True)])
    record_property("mean_error_v", float(np.abs(error).mean()))
    assert float(np.abs(error).mean()) < 0.12
    assert float(np.abs(error).mean()) < float(np.abs(as_last_time).mean())
    assert inside > 0.9


def test_the_next_crank_is_lower_when_colder(planted: Any, autumn: tuple[BatteryEstimate, Any]) -> None:
    found, _ = autumn
    curve, soc = curve_of(planted.agm()), Figure(80.0, 77.0, 83.0)
    warm, cold = (next_crank(found.starts, curve, celsius, soc) for celsius in (20.0, -15.0))
    assert cold.high < warm.low
    assert found.next_crank_min_v.is_known


def test_one_crank_foretells_with_a_wider_band_than_many(planted: Any, autumn: tuple[BatteryEstimate, Any]) -> None:
    found, _ = autumn
    curve, soc = curve_of(planted.agm()), Figure(80.0, 77.0, 83.0)
    one, many = (next_crank(starts, curve, 0.0, soc) for starts in (found.starts[:1], found.starts))
    assert one.high - one.low > 1.3 * (many.high - many.low)


def test_without_a_crank_nothing_is_foretold(planted: Any) -> None:
    figure = next_crank((), curve_of(planted.agm()), 20.0, Figure(80.0, 70.0, 90.0))
    assert not figure.is_known
    assert "No crank" in str(figure.unknown)


def test_of_alike_starts_the_last_counts_more_than_the_one_before(planted: Any) -> None:
    def start(number: int, lowest: float) -> Start:
        begin = number * 3_600_000_000_000
        silent = unknown_figure(Text("Not asked for."))
        return Start(begin, begin + 10**9, "first", lowest, -400.0, 1.0, 1.0, silent, 20.0, soc=80.0, before_v=12.5)

    curve, charge = curve_of(planted.agm()), Figure(80.0, 79.0, 81.0)
    rising = next_crank([start(0, 10.2), start(1, 10.6)], curve, 20.0, charge)
    falling = next_crank([start(0, 10.6), start(1, 10.2)], curve, 20.0, charge)
    elsewhere = next_crank([start(0, 10.6), start(1, 10.2)], curve, -10.0, charge)
    assert rising.value > falling.value > elsewhere.value
