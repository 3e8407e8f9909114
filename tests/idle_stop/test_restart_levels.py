"""The levels that end a stop, found again from stops that outlasted a voltage and stops that it ended."""

from __future__ import annotations

import random

import numpy as np
import pytest

from decoder.recording import Recording, Trace
from estimator.estimate import BatteryEstimate, unknown_figure
from idle_stop.attribution import account_for
from idle_stop.restart_levels import RestartLevel, learn_restart_levels, stop_ends
from signal_defs.platform import Condition, IdleStopRules
from signal_defs.text import Text


def learned(seed: int, *, true_level: float, in_file: float = 11.5, cycles: int = 40) -> RestartLevel:
    """One-minute cycles; in each stop the voltage sinks to a floor, and below the true level the system restarts."""
    rng = random.Random(seed)
    time = np.arange(0.0, cycles * 60.0, 0.1)
    phase, cycle = time % 60.0, (time // 60.0).astype(int)
    voltage, speed = np.full(len(time), 14.0), np.where(phase < 20.0, 40.0, 0.0)
    engine, brake = np.full(len(time), 900.0), ((phase >= 20.0) & (phase < 54.7)).astype(np.float64)
    for index in range(cycles):
        floor = true_level + rng.choice([-3, -2, -1, 1, 2, 3]) * 0.05
        mine = cycle == index
        sunk = np.maximum(12.4 - 0.1 * np.maximum(phase - 22.0, 0.0), floor)
        failed = phase[mine & (phase > 22.0) & (sunk < true_level)]
        end = float(failed[0]) + 0.6 if len(failed) else 55.0
        off = mine & (phase >= 22.0) & (phase < end + 0.4)
        engine[off] = np.where(phase[off] < end, 0.0, 200.0)
        voltage[off] = np.where(phase[off] < end, sunk[off], 10.0)
    values = {
        "vehicle_speed": speed, "engine_speed": engine, "brake_pressed": brake, "battery_voltage": voltage,
        "ignition_on": np.ones(len(time)),
    }  # fmt: skip
    stamps, valid = np.round(time * 1e9).astype(np.int64), np.ones(len(time), dtype=np.bool_)
    traces = {role: Trace(role, "b/M.S", "", stamps, value, valid) for role, value in values.items()}
    recording = Recording(0, int(cycles * 60e9), False, 0, 0, traces)
    none, empty = unknown_figure(Text("not estimated")), np.empty(0)
    estimate = BatteryEstimate(
        np.empty(0, dtype=np.int64), empty, empty, empty, (), (), (), (),
        none, none, none, none, none, none, none, none, none, 0.0, 0.0, 0.0,
    )  # fmt: skip
    condition = Condition(
        "voltage in the stop", "electrical", "battery_voltage", at_least=in_file, applies_to="restart"
    )
    rules = IdleStopRules(conditions=(condition,))
    return learn_restart_levels([stop_ends(recording, estimate, account_for(recording, estimate, rules), rules)])[0]


@pytest.mark.parametrize("seed", range(4))
def test_the_level_that_ends_a_stop_lies_between_what_was_outlasted_and_what_ended_it(seed: int) -> None:
    one = learned(seed, true_level=11.5)
    assert one.level.low < 11.5 <= one.level.high + 1e-9
    assert one.level.high - one.level.low <= 0.25
    assert one.fit == "fits"
    assert min(one.outlasted, one.forced) >= 5


def test_a_level_that_stops_outlast_is_too_strict() -> None:
    one = learned(1, true_level=11.0, in_file=11.5)
    assert one.fit == "too_strict"
    assert one.level.high < 11.5


def test_without_a_stop_nothing_is_learnt() -> None:
    assert learn_restart_levels([]) == ()
