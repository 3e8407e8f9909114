"""Resistance of the recording's cranks together, and the next crank foretold."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from estimator.battery import estimate_battery
from estimator.cranking import pooled_resistance, rated_resistance, temperature_log_factor
from estimator.cranks import Crank
from estimator.estimate import BatteryEstimate, Figure, Start, unknown_figure
from estimator.next_crank import next_crank, predictions_one_ahead
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


def test_the_cold_raises_resistance_as_much_as_the_sources_say_between_them() -> None:
    factor = math.exp(float(temperature_log_factor(np.array(-18.0))))
    # source: two workshops' load-test tables, least voltage at half the cold-cranking current after 15 s: 9.6 V at
    # 21 degC, 8.5 or 8.0 V at -18; by hand, from 12.65 V (12.60 V in the cold) and 4 % more from 21 to 25 degC
    assert (12.60 - 8.5) / (12.65 - 9.6) * 1.04 < factor < (12.60 - 8.0) / (12.65 - 9.6) * 1.04
    near = float(temperature_log_factor(np.array(19.0)) - temperature_log_factor(np.array(21.0)))
    assert near / 2.0 == pytest.approx(0.01, abs=0.003)  # from memory: about 1 % a kelvin near 20 degC


def test_a_cold_week_alone_tells_the_resistance_at_25_degc_only_within_what_the_sources_leave_open(
    planted: Any,
) -> None:
    legs = [planted.Leg("park", 60.0, -0.03, celsius=-12.0), *planted.week(1, 2)]
    found = estimate_battery(
        planted.record(planted.simulate(planted.TrueBattery(), legs, 85.0, temperature=-12.0), planted.Sensor()),
        planted.agm(),
    ).resistance_mohm
    assert found.low <= 4.52 <= found.high  # planted, with a factor of its own: exp(0.011 * 37) in that cold
    assert found.high / found.low > 1.6  # source: at -18 degC 1.4 to 2.2 times, by the sources


def test_a_short_crank_tells_of_the_reference_crank(planted: Any) -> None:
    del planted
    silent = unknown_figure(Text("Not asked for."))
    starts, cranks = [], []
    for number in range(30):
        begin = number * 10**12
        seconds = 0.35 if number % 3 else 0.75
        ohm = 0.005 * (0.5 * (seconds + 0.15) / 0.45) ** 0.12  # planted: polarisation grows with time
        ends = begin + int(seconds * 1e9)
        starts.append(Start(begin, ends, "restart", 10.0, -400.0, seconds, 1.0, silent, 25.0, soc=90.0))
        cranks.append(
            Crank(begin, ends, 12.5, 0.0, 10.0, -400.0, -200.0, ohm, 5e-5, "plateau", True, seconds, 1.0, math.nan)
        )
    figure, _ = pooled_resistance(starts, cranks, 0.004)
    assert figure.value == pytest.approx(5.0, rel=0.01)  # planted


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


def start_of(number: int, lowest: float, **other: Any) -> Start:
    """A first start of a mild day, twelve hours after the one before."""
    begin = number * 43_200_000_000_000
    silent = unknown_figure(Text("Not asked for."))
    facts = {"temperature_c": 20.0, "soc": 80.0, "before_v": 12.5, "before_a": -10.0, "peak_a": -410.0, **other}
    return Start(begin, begin + 10**9, "first", lowest, crank_s=1.0, to_idle_s=1.0, resistance_mohm=silent, **facts)


def test_a_drop_that_grows_from_start_to_start_is_followed(planted: Any) -> None:
    curve, charge = curve_of(planted.agm()), Figure(80.0, 79.0, 81.0)
    lowest = np.linspace(11.0, 10.2, 12)
    falling = next_crank([start_of(k, v) for k, v in enumerate(lowest)], curve, 20.0, charge, parked_h=12.0)
    shuffled = np.random.default_rng(1).permutation(lowest)
    mixed = next_crank([start_of(k, v) for k, v in enumerate(shuffled)], curve, 20.0, charge, parked_h=12.0)
    assert falling.value < 10.45  # of 10.2 V the last time
    assert mixed.value > 10.5  # about the mean: the order of these told nothing


def test_a_larger_current_that_is_known_lowers_the_voltage_in_proportion(planted: Any) -> None:
    curve, charge = curve_of(planted.agm()), Figure(80.0, 79.0, 81.0)
    starts = [start_of(k, 12.5 - 0.003 * amps, peak_a=-10.0 - amps) for k, amps in enumerate([400.0, 450.0] * 6)]
    one, other = (next_crank(starts, curve, 20.0, charge, parked_h=12.0, step_a=amps) for amps in (400.0, 600.0))
    assert one.value - other.value == pytest.approx(0.003 * 200.0, rel=0.1)  # planted: 3 mOhm
    assert next_crank(starts, curve, 20.0, charge, parked_h=12.0).value == pytest.approx(11.22, abs=0.05)


def test_restarts_alone_foretell_a_first_start_with_a_wider_band(planted: Any) -> None:
    curve, charge = curve_of(planted.agm()), Figure(80.0, 79.0, 81.0)
    firsts = [start_of(k, 11.2 + 0.05 * (k % 2)) for k in range(10)]
    warm = [replace(start, kind="restart") for start in firsts]
    of_firsts, of_restarts = (next_crank(starts, curve, 20.0, charge) for starts in (firsts, warm))
    assert of_restarts.value < of_firsts.value  # a first start draws more
    assert of_restarts.high - of_restarts.low > 1.3 * (of_firsts.high - of_firsts.low)
