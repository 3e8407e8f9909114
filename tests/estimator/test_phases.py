"""Phases told by the engine's signals, and by the battery alone."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from estimator.cranks import find_cranks
from estimator.estimate import Phase
from estimator.grid import build_grid
from estimator.phases import find_phases


@pytest.fixture(scope="module")
def legs(planted: Any) -> list[Any]:
    leg = planted.Leg
    stops = [part for _ in range(4) for part in (leg("drive", 200.0), leg("stop", 40.0, -30.0), leg("crank"))]
    drive = [leg("park", 10.0, -8.0), leg("crank"), *stops, leg("drive", 200.0), leg("park", 120.0, -5.0)]
    return [leg("park", 7200.0, -0.03), *drive, leg("park", 7200.0, -0.03), *drive, leg("park", 3600.0, -0.03)]


def phases_of(planted: Any, legs: list[Any], engine: bool) -> tuple[Phase, ...]:
    recording = planted.record(planted.simulate(planted.TrueBattery(), legs, 70.0), planted.Sensor(), engine=engine)
    cranks, grid = find_cranks(recording), build_grid(recording)
    return find_phases(recording, grid, cranks).phases


@pytest.mark.parametrize("engine", [True, False])
def test_idle_stops_drives_and_rests_are_told_apart(planted: Any, legs: list[Any], engine: bool) -> None:
    phases = phases_of(planted, legs, engine)
    count = Counter(phase.kind for phase in phases)
    assert count["cranking"] == 10  # planted: two first starts, eight restarts
    assert count["idle_stop"] == 8
    stopped = sum(phase.seconds for phase in phases if phase.kind == "idle_stop")
    assert stopped == pytest.approx(8 * 40.0, abs=24.0)  # [s], three a stop: where seconds are cut
    parked = sum(phase.seconds for phase in phases if phase.kind == "parked")
    assert parked == pytest.approx(18000.0, rel=0.02)


@pytest.mark.parametrize("engine", [True, False])
def test_phases_cover_the_recording_without_overlap(planted: Any, legs: list[Any], engine: bool) -> None:
    phases = phases_of(planted, legs, engine)
    assert all(one.end_ns == other.start_ns for one, other in pairwise(phases))
    assert all(phase.end_ns > phase.start_ns for phase in phases)
    assert phases[0].start_ns == planted.start_ns + 10**9  # the first sample


def test_a_silent_night_between_parked_minutes_is_parked_but_silence_in_a_drive_is_unknown(planted: Any) -> None:
    awake = np.arange(0.0, 300.0)
    time_s = np.concatenate((awake, 40_000.0 + awake))
    columns = {"battery_voltage": np.full(600, 12.6), "battery_current": np.full(600, -0.05)}
    recording = planted.recording(time_s, columns)
    assert [p.kind for p in find_phases(recording, build_grid(recording), ()).phases] == ["parked"]
    columns = {"battery_voltage": np.full(600, 14.2), "battery_current": np.full(600, 8.0)}
    recording = planted.recording(time_s, columns)
    kinds = [phase.kind for phase in find_phases(recording, build_grid(recording), ()).phases]
    assert kinds == ["running", "unknown", "running"]


def test_a_smart_charging_drive_without_charge_is_still_a_drive(planted: Any) -> None:
    leg = planted.Leg
    legs = [
        leg("park", 600.0, -0.03),
        leg("crank"),
        leg("drive", 300.0),
        leg("stop", 120.0, -20.0),
        leg("drive", 300.0),
    ]
    phases = phases_of(planted, [*legs, leg("park", 600.0, -0.03)], engine=False)
    # The battery alone: the current was drawn for two minutes, but no crank ended it, so the engine ran on.
    assert Counter(phase.kind for phase in phases)["idle_stop"] == 0
    ran_s = sum(phase.seconds for phase in phases if phase.kind == "running")
    assert ran_s == pytest.approx(720.0, abs=25.0)  # [s], two samples: surface charge lingers


@pytest.mark.parametrize("engine", [True, False])
def test_a_restart_switched_off_at_once_still_ends_an_idle_stop(planted: Any, engine: bool) -> None:
    leg = planted.Leg
    legs = [leg("park", 3600.0, -0.03), leg("park", 10.0, -8.0), leg("crank"), leg("drive", 300.0)]
    legs += [leg("stop", 40.0, -30.0), leg("crank"), leg("park", 120.0, -5.0), leg("park", 7200.0, -0.03)]
    stops = [phase for phase in phases_of(planted, legs, engine) if phase.kind == "idle_stop"]
    assert [round(phase.seconds) for phase in stops] == [pytest.approx(40, abs=3)]  # planted
