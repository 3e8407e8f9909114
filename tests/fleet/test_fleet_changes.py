"""What a visit changed: compared in the same weather, with an interval, or said to be too little to tell."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import mannwhitneyu

from benchmarks.fleet_simulated import FIRST, Fault, Weather, fleet_drawn, simulate
from fleet.changes import Change, changes_of, visits_of
from fleet.history import Event, History

DAY = int(FIRST.astype("datetime64[D]").astype(int))


def _history(days: int, visit: int, mended: Fault, broken: Fault, *, weather: Weather | None = None) -> History:
    """A vehicle with a fault until its visit and another (or none) from then on."""
    frames = simulate({"v": broken}, days, seed=3, weather=weather)
    after = simulate({"v": mended}, days, seed=3, weather=weather)
    late = frames["daily"].index >= visit
    frames["daily"].loc[late] = after["daily"].loc[late]
    visits = pd.DataFrame({"vehicle": ["v"], "day": [pd.Timestamp(FIRST) + pd.Timedelta(days=visit)], "kind": "visit"})
    return fleet_drawn({**frames, "visits": visits}).history


def _by_metric(history: History) -> dict[str, Change]:
    return {change.metric.name: change for change in changes_of(history)}


def test_a_drain_that_was_found_is_told_with_its_size() -> None:
    found = _by_metric(_history(60, 30, Fault(), Fault(drain_a=0.1)))
    drain = found["quiescent"]
    assert drain.verdict == "better"
    assert drain.difference.low < -100 < drain.difference.high  # [mA], what was planted
    assert drain.after == pytest.approx(drain.before - 100, abs=10)
    assert found["resistance"].verdict in {"alike", "open"}


def test_weather_that_turned_cold_with_the_visit_is_no_change() -> None:
    weather = Weather(start_c=20.0, season_k=0.0, snap_k=-30.0, snap_from=30, snap_days=60)
    found = _by_metric(_history(60, 30, Fault(), Fault(), weather=weather))
    assert found["crank_voltage"].verdict == "too_little_data"
    assert "no class of temperature" in str(found["crank_voltage"].lacking[0])


def test_too_few_days_after_a_visit_are_said() -> None:
    found = _by_metric(_history(32, 30, Fault(), Fault(drain_a=0.1)))
    assert found["quiescent"].verdict == "too_little_data"
    assert str(found["quiescent"].lacking[0]).startswith("Too little data after the visit: ")
    assert np.isnan(found["quiescent"].difference.value)


@pytest.mark.parametrize("seed", range(5))
def test_without_change_the_interval_holds_nothing_as_often_as_it_says(seed: int) -> None:
    names = {f"v{number}": Fault() for number in range(40)}
    frames = simulate(names, 56, seed=100 + seed, weather=Weather(season_k=0.0, snap_k=0.0))
    visits = pd.DataFrame({"vehicle": list(names), "day": pd.Timestamp(FIRST) + pd.Timedelta(days=28), "kind": "visit"})
    history = fleet_drawn({**frames, "visits": visits}).history
    wrong = [
        change
        for change in changes_of(history, metrics=("quiescent", "stop_rate", "resistance"))
        if change.verdict in {"better", "worse"}
    ]
    assert len(wrong) <= 14  # of 120 at 5 %, more than 14 show once in 1000


def test_the_interval_agrees_with_the_test_of_mann_and_whitney() -> None:
    """The interval excludes a shift where, and only where, the test of an independent library rejects it."""
    rng = np.random.default_rng(4)
    daily = simulate({"v": Fault()}, 40, seed=1, weather=Weather(season_k=0.0, snap_k=0.0))
    frame = daily["daily"]
    frame["nights"], frame["asleep_h"] = 1, 9.0
    frame["asleep_ma"] = np.concatenate([rng.normal(20, 3, 20), rng.normal(25, 3, 20)])
    visits = pd.DataFrame({"vehicle": ["v"], "day": [pd.Timestamp(FIRST) + pd.Timedelta(days=20)], "kind": "visit"})
    history = fleet_drawn({**daily, "visits": visits}).history
    change = next(changes_of(history, metrics=("quiescent",)))
    values = frame["asleep_ma"].to_numpy()
    for shift, rejected in ((change.difference.low - 0.4, True), (change.difference.low + 0.4, False)):
        p = mannwhitneyu(values[21:] - shift, values[:20], use_continuity=False, method="asymptotic").pvalue
        assert (p < 0.05) == rejected


def test_what_happened_within_three_days_is_one_visit() -> None:
    events = (Event(10.0, "visit"), Event(11.0, "sensor_reset"), Event(40.0, "battery"))
    assert [(one.day, one.last, one.kinds) for one in visits_of("v", events)] == [
        (10.0, 11.0, ("visit", "sensor_reset")),
        (40.0, 40.0, ("battery",)),
    ]
