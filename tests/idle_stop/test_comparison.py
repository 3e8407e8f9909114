"""Before and after a repair: what may be said to have changed, and when it is too early to say."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from idle_stop.analysis import Analysis
from idle_stop.comparison import Comparison, _difference, compare
from idle_stop.shares import wilson
from idlewhy.demo.battery_model import BatteryMake
from idlewhy.demo.electric_loads import Loads

WORN = BatteryMake("agm", nominal_ah=70.0, capacity_ah=41.0, resistance_ohm=0.0074, acceptance=0.5)


def _analysis(make: Any, scenario: Any) -> Analysis:
    one = make.of(scenario)
    return Analysis("van", one.platform, one.recording, one.estimate, one.account, tuple(one.findings.values()))


@pytest.fixture(scope="module")
def sound(make: Any) -> Analysis:
    return _analysis(make, make.Scenario(stops=9))


@pytest.fixture(scope="module")
def hood(make: Any) -> Analysis:
    return _analysis(make, make.Scenario(values={"hood_open": True}))


def _finding(compared: Comparison, code: str) -> tuple[str, bool]:
    one = next(one for one in compared.findings if one.code == code)
    return one.state, one.sure


# source: Newcombe, Statist. Med. 17 (1998) 873, table II, 56/70 - 48/80 by method 10; from memory
def test_the_interval_of_a_difference_is_newcombes() -> None:
    found = _difference(wilson(48, 80), wilson(56, 70))
    assert (found.value, found.low, found.high) == pytest.approx((0.2, 0.0524, 0.3339), abs=1e-4)


def test_a_mended_switch_is_said_to_have_helped(sound: Analysis, hood: Analysis) -> None:
    compared = compare(hood, sound)
    assert compared.verdict == "better"
    assert _finding(compared, "single_blocker") == ("went", True)
    assert compared.refusals.counted[0] == hood.account.count("refused")


def test_a_switch_that_broke_is_said_to_have_made_it_worse(sound: Analysis, hood: Analysis) -> None:
    compared = compare(sound, hood)
    assert compared.verdict == "worse"
    assert _finding(compared, "single_blocker") == ("came", True)  # all refused, and nine in order before


def test_with_few_standstills_and_no_clear_change_it_is_too_early_to_say(sound: Analysis) -> None:
    compared = compare(sound, sound)
    assert compared.verdict == "too early to say"
    assert {one.change for one in compared.figures} <= {"within the bands", "cannot be told"}


def test_with_many_standstills_alike_there_is_no_difference(sound: Analysis) -> None:
    many = replace(sound, account=replace(sound.account, standstills=sound.account.standstills * 40))
    assert compare(many, many).verdict == "no difference"


def test_while_learning_is_pending_more_refusals_are_not_called_a_failed_repair(make: Any, sound: Analysis) -> None:
    values = {"battery_sensor_reset": True}
    after = _analysis(make, make.Scenario(night_h=2.5, values=values))
    assert after.account.count("refused") > sound.account.count("refused")
    assert compare(sound, after).verdict == "too early to say"


def test_standstills_in_the_cold_are_not_compared_with_those_in_the_warm(make: Any, sound: Analysis) -> None:
    cold = _analysis(make, make.Scenario(air=-7.0, share=0.95))
    compared = compare(cold, sound)
    assert compared.verdict == "too early to say"
    assert compared.refusals.counted == (0, 0)
    assert next(one for one in compared.figures if one.name == "next_crank_min_v").change == "cannot be told"
    assert len(compared.cautions) >= 2


def test_a_new_battery_is_said_to_have_less_resistance(make: Any, sound: Analysis) -> None:
    compared = compare(_analysis(make, make.Scenario(make=WORN, share=0.86)), sound)
    assert next(one for one in compared.figures if one.name == "resistance_mohm").change == "fell"
    assert _finding(compared, "battery_resistance_high") == ("went", True)


def test_a_drain_is_gone_only_if_a_night_was_recorded(make: Any, sound: Analysis) -> None:
    drained = _analysis(make, make.Scenario(loads=Loads(asleep=0.28)))
    assert _finding(compare(drained, sound), "parasitic_drain") == ("went", True)
    day = _analysis(make, make.Scenario(night_h=0.2))
    gone = next(one for one in compare(drained, day).findings if one.code == "parasitic_drain")
    assert (gone.state, gone.sure) == ("not seen again", False)
    assert "asleep" in str(gone.why)
