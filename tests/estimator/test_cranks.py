"""Cranks found and measured."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from estimator.cranks import PLATEAU, WHOLE, find_cranks, plateau_resistance


def crank_columns(rate_hz: float, resistance: float = 0.005) -> tuple[np.ndarray[Any, Any], dict[str, Any]]:
    """Ten quiet seconds, a 0.6 s crank with inrush at 10 s, charging after 10.6 s."""
    time_s = np.arange(0.0, 20.0, 1.0 / rate_hz)
    since = time_s - 10.0
    amps = np.where(
        since < 0, -5.0, np.where(since < 0.6, -180.0 - 500.0 * np.exp(-np.maximum(since, 0.0) / 0.04), 20.0)
    )
    volts = np.where(since < 0.6, 12.5 + resistance * (amps + 5.0), 14.2)
    return time_s, {"battery_current": amps, "battery_voltage": volts}


def test_one_step_gives_the_resistance_by_its_definition() -> None:
    ohm, *_ = plateau_resistance(np.array([9.80]), np.array([-450.0]), 12.50, -5.0, np.array([0.2]))
    assert 1e3 * ohm == pytest.approx(6.07, abs=0.02)  # by hand: (12.50 - 9.80) / (450 - 5)


@pytest.mark.parametrize(("rate_hz", "resolved"), [(100.0, True), (20.0, True), (10.0, False), (1.0, False)])
def test_a_crank_is_resolved_from_twenty_samples_a_second_on(planted: Any, rate_hz: float, resolved: bool) -> None:
    (crank,) = find_cranks(planted.recording(*crank_columns(rate_hz)))
    assert crank.resolved is resolved
    assert crank.min_v >= 12.5 - 0.005 * 680.0  # [V] never below what the inrush really took


def test_the_plateau_is_measured_apart_from_the_inrush(planted: Any) -> None:
    (crank,) = find_cranks(planted.recording(*crank_columns(100.0)))
    assert crank.method == PLATEAU
    assert crank.resistance == pytest.approx(0.005, rel=0.01)
    assert crank.plateau_a == pytest.approx(-180.0, rel=0.05)
    assert crank.peak_a == pytest.approx(-680.0, rel=0.02)
    assert crank.crank_s == pytest.approx(0.6, abs=0.02)


def test_a_crank_with_two_samples_says_that_it_used_them_all(planted: Any) -> None:
    (crank,) = find_cranks(planted.recording(*crank_columns(4.0)))
    assert crank.method == WHOLE
    assert crank.resistance_sd > 0.1 * crank.resistance


def test_a_current_of_wrong_sign_is_seen_at_the_crank(planted: Any) -> None:
    time_s, columns = crank_columns(50.0)
    (crank,) = find_cranks(planted.recording(time_s, {**columns, "battery_current": -columns["battery_current"]}))
    assert crank.inverted
    assert crank.resistance == pytest.approx(0.005, rel=0.02)


def test_a_heavy_load_in_a_drive_is_no_crank(planted: Any) -> None:
    time_s, columns = crank_columns(50.0)
    running = {**columns, "engine_speed": np.full(len(time_s), 850.0)}
    assert find_cranks(planted.recording(time_s, running)) == ()
    steady = {**columns, "battery_voltage": np.full(len(time_s), 13.5)}
    assert find_cranks(planted.recording(time_s, steady)) == ()


def test_an_engine_that_comes_to_life_tells_a_crank_that_the_current_missed(planted: Any) -> None:
    time_s = np.arange(0.0, 20.0, 0.1)
    columns = {
        "battery_voltage": np.where(time_s < 10.5, 12.4, 14.2),
        "battery_current": np.where(time_s < 10.5, -10.0, 20.0),
        "engine_speed": np.where(time_s < 10.0, 0.0, np.minimum((time_s - 10.0) * 800.0, 850.0)),
    }
    (crank,) = find_cranks(planted.recording(time_s, columns))
    assert not crank.resolved
    assert crank.to_idle_s == pytest.approx(0.7, abs=0.15)  # by hand: 500 rpm at 800 rpm/s, from the last zero
    assert np.isnan(crank.resistance)


def test_starter_flag_and_engine_running_give_the_times(planted: Any) -> None:
    time_s, columns = crank_columns(50.0)
    columns["starter_active"] = ((time_s >= 10.0) & (time_s < 10.6)).astype(float)
    columns["engine_running"] = (time_s >= 10.8).astype(float)
    (crank,) = find_cranks(planted.recording(time_s, columns))
    assert crank.to_idle_s == pytest.approx(0.8, abs=0.03)
    assert crank.crank_s == pytest.approx(0.6, abs=0.03)
