"""What the real rules are: planted levels, found again from the decisions of a controller that obeys them."""

from __future__ import annotations

import random
import tomllib
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.recording import Recording, Trace
from estimator.estimate import BatteryEstimate, unknown_figure
from idle_stop.attribution import account_for
from idle_stop.decisions import Decisions, decisions_of
from idle_stop.proposal import toml_proposal
from idle_stop.thresholds import Interval, LearnedRules, LearnedThreshold, learn_thresholds
from signal_defs.errors import UsageError
from signal_defs.platform import Condition, IdleStopRules
from signal_defs.text import Text

CHARGE = Condition("charge", "electrical", "battery_soc", at_least=75.0)
COOLANT = Condition("coolant not hot", "engine", "coolant_temperature", at_most=110.0, hysteresis=2.0)
HOOD = Condition("hood", "safety", "hood_open", equals=False)
RULES = IdleStopRules(conditions=(CHARGE, COOLANT, HOOD))
STEP = 0.5


def driven(
    charge: Sequence[float],
    coolant: Sequence[float] | None = None,
    hood: Sequence[int] | None = None,
    *,
    level: float,
    release: float | None = None,
    hot: float = 110.0,
    hidden: Sequence[int] = (),
    rules: IdleStopRules = RULES,
) -> Decisions:
    """A drive of one-minute cycles, one value a cycle, decided by a controller with its own levels; then judged.

    hidden: cycles that a condition which is on no bus refuses.
    """
    release = level if release is None else release
    n = len(charge)
    coolant, hood = coolant or [90.0] * n, hood or [0] * n
    time = np.arange(0.0, n * 60.0, 0.2)
    cycle, phase = (time // 60.0).astype(int), time % 60.0
    met, stops = True, np.zeros(n, dtype=np.bool_)
    for index in range(n):
        met = charge[index] >= (level if met else release)
        stops[index] = met and coolant[index] <= hot and not hood[index] and index not in hidden
    traces = {
        "vehicle_speed": np.where(phase < 30.0, 40.0, 0.0),
        "engine_speed": np.where(stops[cycle] & (phase > 32.0) & (phase < 57.0), 0.0, 900.0),
        "ignition_on": np.ones(len(time)),
        "brake_pressed": ((phase >= 30.0) & (phase < 56.8)).astype(np.float64),
        "battery_soc": np.array(charge, dtype=np.float64)[cycle],
        "coolant_temperature": np.array(coolant, dtype=np.float64)[cycle],
        "hood_open": np.array(hood, dtype=np.float64)[cycle],
    }
    stamps, valid = np.round(time * 1e9).astype(np.int64), np.ones(len(time), dtype=np.bool_)
    recording = Recording(
        0, int(n * 60e9), False, 0, 0, {role: Trace(role, "b/M.S", "", stamps, v, valid) for role, v in traces.items()}
    )
    none, empty = unknown_figure(Text("not estimated")), np.empty(0)
    estimate = BatteryEstimate(
        np.empty(0, dtype=np.int64), empty, empty, empty, (), (), (), (),
        none, none, none, none, none, none, none, none, none, 0.0, 0.0, 0.0,
    )  # fmt: skip
    account = account_for(recording, estimate, rules)
    assert account.count("refused") == n - stops.sum()
    return decisions_of(recording, estimate, account, rules)


def of(learned: LearnedRules, name: str) -> LearnedThreshold:
    return next(one for one in learned.thresholds if one.condition.name == name)


def near(level: float, seed: int, *, each: int = 10) -> list[float]:
    """Charges one or two steps to each side of a level, in random order; both neighbours are among them."""
    rng = random.Random(seed)
    below = [level - STEP, *(level - STEP * rng.choice([1, 2]) for _ in range(each - 1))]
    above = [level, *(level + STEP * rng.choice([0, 1]) for _ in range(each - 1))]
    mixed = below + above
    rng.shuffle(mixed)
    return [level + STEP, *mixed]


def single(one: LearnedThreshold) -> Interval:
    """Where the level lies if there is only one."""
    stop, release = one.stop_level, one.release_level
    return Interval(max(stop.low, release.low), min(stop.high, release.high))


@pytest.mark.parametrize("level", [70.0, 75.0, 78.5])
@pytest.mark.parametrize("seed", range(5))
def test_ten_decisions_on_each_side_bracket_a_level_within_one_step(level: float, seed: int) -> None:
    one = of(learn_thresholds([driven(near(level, seed), level=level)]), "charge")
    assert single(one).low < level <= single(one).high
    assert single(one).high - single(one).low <= STEP
    assert one.step == STEP
    assert not one.has_hysteresis


@pytest.mark.parametrize("seed", range(5))
def test_stop_and_release_levels_are_told_apart_where_the_data_shows_both(seed: int) -> None:
    rng = random.Random(seed)
    charge, value, way = [], 80.0, -1
    for _ in range(120):  # up and down between 72 and 82 %, one or two steps a cycle
        way = 1 if value <= 72.0 else -1 if value >= 82.0 else way
        value += way * STEP * rng.choice([1, 2])
        charge.append(value)
    one = of(learn_thresholds([driven(charge, level=75.0, release=78.0)]), "charge")
    assert one.has_hysteresis
    assert one.stop_level.low < 75.0 <= one.stop_level.high
    assert one.release_level.low < 78.0 <= one.release_level.high
    assert one.stop_level.high - one.stop_level.low <= 2 * STEP
    assert one.level is not None
    assert one.hysteresis is not None
    assert abs(one.level + one.hysteresis - 78.0) <= 2 * STEP


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), level=st.sampled_from([73.0, 75.0, 79.0]), width=st.sampled_from([0.0, 1.0, 3.0]))
def test_the_true_levels_always_lie_in_their_intervals(seed: int, level: float, width: float) -> None:
    rng = random.Random(seed)
    charge = [70.0 + STEP * rng.randrange(30) for _ in range(50)]
    hood = [int(rng.random() < 0.2) for _ in charge]
    one = of(learn_thresholds([driven(charge, hood=hood, level=level, release=level + width)]), "charge")
    assert one.stop_level.low < level <= one.stop_level.high
    assert one.release_level.low < level + width <= one.release_level.high


def test_a_level_in_the_file_that_is_too_lax_or_too_strict_is_said_with_a_proposal() -> None:
    lax = of(learn_thresholds([driven(near(80.0, 1), level=80.0)]), "charge")
    assert (lax.fit, lax.level) == ("too_lax", 80.0)
    strict = of(learn_thresholds([driven(near(70.0, 1), level=70.0)]), "charge")
    assert (strict.fit, strict.level) == ("too_strict", 70.0)
    right = learn_thresholds([driven(near(75.0, 1), level=75.0)])
    assert (of(right, "charge").fit, of(right, "charge").level, right.wrong) == ("fits", 75.0, ())


def test_an_at_most_rule_is_learnt_the_same_way_round() -> None:
    coolant = [90.0, 104.0, 106.0, 105.0, 103.0, 107.0, 104.5, 105.5, 100.0]
    learned = learn_thresholds([driven([90.0] * 9, coolant, level=75.0, hot=105.0)])
    one = of(learned, "coolant not hot")
    # by hand: stopped at 105, refused at 105.5, 106 and 107
    assert one.fit == "too_lax"
    assert one.stop_level.low == 105.0
    assert one.stop_level.high == 105.5
    assert "coolant not hot" in str(learned.wrong[0])


def test_more_recordings_of_the_platform_tighten_the_interval() -> None:
    first, second = driven([90.0, 70.0, 90.0], level=77.0), driven([80.0, 76.0, 77.5], level=77.0)
    alone, both = of(learn_thresholds([first]), "charge"), of(learn_thresholds([first, second]), "charge")
    assert (single(alone).low, single(alone).high) == (70.0, 90.0)
    assert (single(both).low, single(both).high) == (76.0, 77.5)


def test_a_refusal_that_another_condition_may_have_caused_proves_nothing() -> None:
    learned = learn_thresholds([driven([90.0, 80.0, 90.0, 70.0], hood=[0, 1, 0, 1], level=75.0)])
    assert of(learned, "charge").refusals == 0
    assert of(learned, "charge").stop_level.low == -np.inf


def test_refusals_that_nothing_visible_can_have_caused_show_an_invisible_condition() -> None:
    values = [90.0, 80.0, 85.0, 90.0, 84.0, 88.0, 81.0]
    seen = learn_thresholds([driven(values, level=75.0, hidden=[2, 5])])
    assert (seen.unexplained, seen.has_invisible) == (2, True)
    assert not learn_thresholds([driven(values, level=75.0)]).has_invisible


def test_conditions_that_never_mattered_are_named() -> None:
    learned = learn_thresholds([driven(near(75.0, 3), level=75.0)])
    assert learned.never_mattered == ("coolant not hot", "hood")
    assert learned.never_visible == ()


def test_a_flag_that_failed_at_stops_all_the_same_is_named_with_how_often() -> None:
    rules = IdleStopRules(conditions=(CHARGE, Condition("hood", "safety", "hood_open", equals=True)))
    learned = learn_thresholds([driven([90.0, 80.0, 70.0, 90.0], level=75.0, rules=rules)])
    assert learned.ignored == (("hood", 3),)
    assert "3 times" in str(learned.wrong[-1])


def test_recordings_of_different_platforms_are_not_mixed() -> None:
    other = driven([90.0, 70.0], level=75.0, rules=IdleStopRules(conditions=(CHARGE, HOOD)))
    with pytest.raises(UsageError):
        learn_thresholds([driven([90.0, 70.0], level=75.0), other])
    with pytest.raises(UsageError):
        learn_thresholds([])


def test_the_proposal_is_toml_with_its_evidence_and_keeps_what_the_data_does_not_touch() -> None:
    learned = learn_thresholds([driven(near(80.0, 2), level=80.0)])
    text = toml_proposal(learned, RULES)
    conditions = tomllib.loads(text)["idle_stop"]["condition"]
    assert [one["name"] for one in conditions] == ["charge", "coolant not hot", "hood"]
    assert conditions[0]["at_least"] == 80.0
    assert (conditions[1]["at_most"], conditions[1]["hysteresis"]) == (110.0, 2.0)
    assert conditions[2]["is"] is False
    assert "too lax" in text
    assert "refusals laid to it" in text
