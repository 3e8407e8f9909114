"""Levels, slopes and cuts of a vehicle's figures, and how much data they ask for."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest

from benchmarks.fleet_simulated import fleet_drawn
from fleet.classes import classes_of, temperature_classes
from fleet.costs import idle_cost
from fleet.episodes import seen_cuts
from fleet.fleet_data import FleetData
from fleet.ranking import rank
from fleet.strata import strata
from fleet.tables import schema_of
from fleet.trends import Trend, trends_of
from signal_defs.errors import UsageError

FIRST = pd.Timestamp("2025-03-03")


def _daily(vehicle: str, days: Any, **columns: Any) -> Any:
    frame = pd.DataFrame({"recording": "r", "vehicle": vehicle, "day": FIRST + pd.to_timedelta(list(days), unit="D")})
    plain = dict.fromkeys(schema_of("daily").names[3:], 0)
    for name, value in {**plain, "temperature_c": 12.0, "crank_c": 12.0, "rest_c": 12.0, "drives": 4}.items():
        frame[name] = value
    for name in ("resistance_mohm", "crank_min_v", "rest_soc", "asleep_ma", "soc_min"):
        frame[name] = np.nan
    for name, value in columns.items():
        frame[name] = value
    return frame


def _fleet(daily: list[Any], events: Any = None, visits: Any = None, **of_vehicle: Any) -> FleetData:
    days = pd.concat(daily, ignore_index=True)
    names = list(dict.fromkeys(days["vehicle"]))
    start = FIRST.tz_localize("UTC")
    recordings = pd.DataFrame(
        {
            "recording": [f"r-{name}" for name in names],
            "vehicle": names,
            "platform": "p",
            "time": start,
            "end": start + pd.Timedelta(days=40),
            "duration_s": 1.0,
            "battery_type": "agm",
            "capacity_rated": 70.0,
            "crank_rated_a": 760.0,
            "soc_limit": 75.0,
            "idle_l_per_h": np.nan,
            "battery_only": False,
            **{key: value for key, value in of_vehicle.items() if key != "depot"},
        }
    )
    manifest = None
    if "depot" in of_vehicle:
        manifest = pd.DataFrame({"vehicle": names, "platform": "p", "battery": "", "depot": of_vehicle["depot"]})
    tables = {"recordings": recordings, "daily": days, "vehicles": manifest, "events": events, "visits": visits}
    return fleet_drawn({name: frame for name, frame in tables.items() if frame is not None})


def _one(data: FleetData, metric: str) -> Trend:
    return next(iter(trends_of(data.history, metric)))


def test_a_rise_is_told_with_its_size_and_its_interval() -> None:
    day = np.arange(42)
    rng = np.random.default_rng(1)
    rising = 4.0 * (1 + 0.15 * day / 30.44) * rng.normal(1, 0.01, 42)
    trend = _one(_fleet([_daily("v", day, resistance_mohm=rising, cranks=8)]), "resistance")
    assert trend.verdict == "worsening"
    assert trend.alarm
    assert trend.slope.low < 0.6 < trend.slope.high  # by hand: 15 % of 4.0 mOhm a month


def test_a_cold_month_is_no_rise_and_no_step() -> None:
    day = np.arange(42)
    celsius = np.where(day >= 21, -10.0, 15.0)
    values = np.where(day >= 21, 6.0, 4.0) + 0.02 * np.sin(day * 5.0)
    trend = _one(_fleet([_daily("v", day, resistance_mohm=values, cranks=8, crank_c=celsius)]), "resistance")
    assert trend.verdict == "stable"
    assert trend.cuts == ()


def test_too_little_data_says_how_much_is_missing() -> None:
    daily = _daily("v", [0, 1], opportunities=3, stopped=3, trips=1)
    trend = _one(_fleet([daily]), "stop_rate")
    assert math.isnan(trend.level.value)
    assert trend.verdict == "too_little_data"
    assert [str(line) for line in trend.lacking] == [
        "Too little data: 6 of 20 standstills, those too cold or too hot apart.",
        "Too little data: 2 of 3 days.",
    ]


def test_a_level_without_a_trend_says_what_the_trend_lacks() -> None:
    trend = _one(_fleet([_daily("v", range(6), resistance_mohm=4.0, cranks=4)]), "resistance")
    assert trend.level.value == 4.0
    assert [str(line) for line in trend.lacking] == [
        "Too little data for a trend: 6 of 8 days.",
        "Too little data for a trend: 5 of 14 days from first to last.",
    ]


@pytest.mark.parametrize("kind", ["battery", "sensor_reset"])
def test_no_slope_is_drawn_across_a_new_battery_or_a_reset(kind: str) -> None:
    day = np.arange(40)
    values = np.where(day < 20, 6.0 + 0.05 * day, 3.5) + 0.01 * np.cos(day * 3.0)
    daily = _daily("v", day, resistance_mohm=values, cranks=8)
    at = FIRST + pd.Timedelta(days=20)
    events = pd.DataFrame({"vehicle": ["v"], "time": [at.tz_localize("UTC")], "kind": [kind]})
    trend = _one(_fleet([daily], events=events), "resistance")
    assert [cut.kind for cut in trend.cuts] == [kind]
    assert trend.level.value == pytest.approx(3.5, abs=0.02)
    assert trend.verdict == "stable"


def test_a_visit_alone_begins_no_new_episode() -> None:
    visits = pd.DataFrame({"vehicle": ["v"], "day": [FIRST + pd.Timedelta(days=20)], "kind": ["visit"]})
    daily = _daily("v", range(40), resistance_mohm=4 + 0.01 * np.sin(np.arange(40)), cranks=8)
    trend = _one(_fleet([daily], visits=visits), "resistance")
    assert trend.cuts == ()


def test_a_visit_that_ended_a_drain_begins_a_new_episode_though_the_level_is_as_before_it() -> None:
    day = np.arange(56)
    values = np.where((day >= 8) & (day < 30), 120.0, 20.0) + np.sin(day * 3.0)
    visits = pd.DataFrame({"vehicle": ["v"], "day": [FIRST + pd.Timedelta(days=30)], "kind": ["visit"]})
    trend = _one(_fleet([_daily("v", day, asleep_ma=values, nights=1, asleep_h=9.0)], visits=visits), "quiescent")
    assert [(cut.day - trend.day[0], cut.kind) for cut in trend.cuts] == [(8.0, "seen"), (30.0, "visit")]
    assert trend.verdict == "stable"


def test_a_step_nobody_told_of_is_found_on_its_day() -> None:
    day = np.arange(40)
    values = np.where(day < 17, 20.0, 120.0) + 2 * np.sin(day * 3.0)
    trend = _one(_fleet([_daily("v", day, asleep_ma=values, nights=1, asleep_h=9.0)]), "quiescent")
    assert [cut.kind for cut in trend.cuts] == ["seen"]
    assert trend.cuts[0].day == (FIRST + pd.Timedelta(days=17)).timestamp() / 86400
    assert trend.level.value - np.median(trend.value[:17]) == pytest.approx(100, abs=3)
    assert trend.level.low > 110


def test_a_step_needs_six_points_on_each_side() -> None:
    x, classes = np.arange(11.0), classes_of([0] * 11)
    assert seen_cuts(x, np.where(x < 6, 20.0, 120.0), classes, 20.0) == ()
    assert len(seen_cuts(np.arange(12.0), np.where(np.arange(12) < 6, 20.0, 120.0), classes_of([0] * 12), 20.0)) == 1


def test_several_steps_are_told_apart() -> None:
    x = np.arange(40.0)
    y = np.where(x < 12, 20.0, np.where(x < 26, 120.0, 60.0)) + 0.5 * np.sin(x * 3)
    assert [cut.day for cut in seen_cuts(x, y, classes_of([0] * 40), 20.0)] == [12.0, 26.0]


def test_a_steady_drift_is_no_step() -> None:
    x = np.arange(40.0)
    assert seen_cuts(x, 20 + 3 * x, classes_of([0] * 40), 20.0) == ()


def test_temperatures_within_five_kelvin_of_the_median_are_one_class() -> None:
    classes = temperature_classes(np.array([10.0, 14.9, 5.1, 25.0, np.nan])).code
    assert classes[0] == classes[1]
    assert len(set(classes.tolist())) == 4  # 10 and 14.9; 5.1 is more than 5 K below the median of 12.45; 25; unknown


def test_an_unknown_metric_is_wrong_usage() -> None:
    with pytest.raises(UsageError, match="no metric"):
        _one(_fleet([_daily("v", [0])]), "soh")


def test_the_ranking_goes_by_the_kind_end_of_the_interval_and_few_data_stand_apart() -> None:
    day = np.arange(20)
    sure = _daily("sure", day, asleep_ma=100.0 + (day % 3), nights=1, asleep_h=9.0)
    wild = _daily("wild", day, asleep_ma=np.where(day % 2, 20.0, 400.0), nights=1, asleep_h=9.0)
    well = _daily("well", day, asleep_ma=20.0, nights=1, asleep_h=9.0)
    few = _daily("few", [0, 1], asleep_ma=900.0, nights=1, asleep_h=9.0)
    ranked = rank(_fleet([wild, few, well, sure]))
    assert [(one.vehicle, one.standing) for one in ranked] == [
        ("sure", "attention"),
        ("well", "in_order"),
        ("wild", "in_order"),
        ("few", "too_little_data"),
    ]
    assert str(ranked[0].reasons[0].what) == "draw while parked: 101 mA (100 to 102), limit 75 mA"
    assert "Too little data: 2 of 3 nights of four hours or more." in [str(line) for line in ranked[-1].lacking]


def test_a_vehicle_has_three_reasons_at_most_and_its_days_to_the_limit() -> None:
    day = np.arange(42)
    bad = _daily(
        "v",
        day,
        asleep_ma=200.0,
        nights=1,
        asleep_h=9.0,
        rest_soc=60.0,
        rests=1,
        resistance_mohm=4.0 * (1 + 0.005 * day),
        cranks=8,
        opportunities=10,
        refused=10,
        battery=10,
        trips=2,
    )
    one = rank(_fleet([bad]))[0]
    assert len(one.reasons) == 3
    assert [reason.badness for reason in one.reasons] == sorted((r.badness for r in one.reasons), reverse=True)
    assert one.days is not None
    # by hand: limit 1.5 * 2700 / 760 = 5.33 mOhm; level of the last 28 days 4.55; slope 0.02 a day: 39 days
    assert one.days.value == pytest.approx(39, abs=2)
    assert one.days.low <= one.days.value <= one.days.high


def test_simpsons_reversal_is_said() -> None:
    warm = {"temperature_c": 20.0, "trips": 2}
    cold = {"temperature_c": -5.0, "trips": 2}
    north = [
        _daily("n", range(10), opportunities=10, stopped=9, refused=1, **warm),
        _daily("n", range(10, 50), opportunities=10, stopped=5, refused=5, **cold),
    ]
    south = [
        _daily("s", range(40), opportunities=10, stopped=8, refused=2, **warm),
        _daily("s", range(40, 50), opportunities=10, stopped=4, refused=6, **cold),
    ]
    found = strata(_fleet([*north, *south], depot=["north", "south"]), "depot")
    # by hand: pooled 58 against 72 %; warm 90 against 80, cold 50 against 40; both classes weigh the same
    assert [(one.better_pooled, one.better_within) for one in found.reversals] == [("south", "north")]
    assert found.reversals[0].pooled == pytest.approx((72, 58))
    assert found.reversals[0].within == pytest.approx((60, 70))


def test_what_cold_alone_refused_does_not_count_against_a_vehicle() -> None:
    daily = _daily("v", range(10), opportunities=10, refused=10, by_design=9, stopped=0, trips=2)
    trend = _one(_fleet([daily]), "refused_share")
    assert trend.observations == 10


def test_lost_fuel_has_its_band_and_its_source() -> None:
    cost = idle_cost(_fleet([_daily("v", range(10), refused=6, opportunities=10, lost_idle_s=360.0)]))
    assert cost.idle_s == 3600
    # by hand: (3600 - 60 * 9) s at 0.6 l/h; (3600 - 600) s at 0.45; 3600 s at 1.48 l/h
    assert (cost.fuel_l.value, cost.fuel_l.low, cost.fuel_l.high) == pytest.approx((0.51, 0.375, 1.48))
    assert "published" in str(cost.source)
    own = idle_cost(_fleet([_daily("v", range(10), refused=6, lost_idle_s=360.0)], idle_l_per_h=0.8))
    assert own.fuel_l.high == pytest.approx(1.0)  # by hand: 0.8 l/h and 25 %


def test_two_recordings_of_one_day_are_one_row() -> None:
    first = _daily("v", [0], rest_soc=80.0, rests=1, opportunities=4)
    second = _daily("v", [0], rest_soc=86.0, rests=2, opportunities=6)
    data = _fleet([first, second])
    assert len(data.days) == 1
    assert data.days["rest_soc"].item() == pytest.approx(84.0)  # by hand: (80 + 2 * 86) / 3
    assert data.days["opportunities"].item() == 10


def test_the_balance_of_a_week_is_given_only_where_the_current_is_known_nearly_all_the_time() -> None:
    known = _daily("known", range(28), drive_s=7200.0, coverage=1.0, parked_s=79200.0, charged_ah=10.0, parked_ah=4.0)
    gap = _daily("gap", range(28), drive_s=7200.0, coverage=1.0, parked_s=60000.0, charged_ah=10.0, parked_ah=4.0)
    found = {trend.vehicle: trend for trend in trends_of(_fleet([known, gap]).history, "balance")}
    assert found["known"].day.tolist() == [20150.0 + 7 * week for week in range(4)]  # Mondays, the first 2025-03-03
    assert found["known"].level.value == pytest.approx(38.5)  # by hand: 7 * (0.95 * 10 - 4)
    assert [str(line) for line in found["gap"].lacking][:1] == [
        "Too little data: 0 of 2 weeks with the current known nine tenths of the time."
    ]


def test_the_share_of_time_stopped_is_that_of_all_seconds() -> None:
    days = _daily("v", range(12), stop_s=[100.0, 300.0] * 6, standstill_s=[400.0, 400.0] * 6, opportunities=5)
    trend = _one(_fleet([days]), "auto_stop_share")
    assert trend.level.value == pytest.approx(50.0)
    assert 25.0 < trend.level.low < 45.0
    assert 55.0 < trend.level.high < 75.0
    assert trend.observations == 80  # by hand: 12 days of 400 s in minutes
