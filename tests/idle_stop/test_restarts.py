"""Restart quality, normal cycling told from a defect, and the battery's share of the refusals."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from decoder.recording import Recording, Trace
from estimator.estimate import BatteryEstimate, Drive, Start, StartKind, unknown_figure
from idle_stop.account import Account, Outcome, Reason, Standstill, Verdict
from idle_stop.cycling import charge_cycling
from idle_stop.readings import Readings
from idle_stop.restarts import restart_quality
from idle_stop.shares import battery_share, wilson
from signal_defs.platform import Condition, Group, IdleStopRules
from signal_defs.text import Text

S = 1_000_000_000
MIN = 60 * S
NONE = unknown_figure(Text("not estimated"))


def start(
    kind: StartKind, at_s: float, to_idle_s: float, min_v: float, board_v: float = math.nan, *, celsius: float = 20.0
) -> Start:
    at = int(at_s * S)
    return Start(at, at + S // 2, kind, min_v, -400.0, 0.3, to_idle_s, NONE, celsius, board_min_v=board_v)


def estimated(*starts: Start, drives: tuple[Drive, ...] = ()) -> BatteryEstimate:
    empty = np.empty(0)
    return BatteryEstimate(
        np.empty(0, dtype=np.int64), empty, empty, empty, (), starts, (), drives,
        NONE, NONE, NONE, NONE, NONE, NONE, NONE, NONE, NONE, 0.0, 0.0, 0.0,
    )  # fmt: skip


def recorded(**coolant: float) -> Recording:
    time = np.arange(0, 1000, dtype=np.int64) * S
    valid = np.ones(len(time), dtype=np.bool_)
    value = np.where(time < 500 * S, coolant.get("before", 20.0), coolant.get("after", 90.0))
    traces = (
        {"coolant_temperature": Trace("coolant_temperature", "b/M.S", "degC", time, value, valid)} if coolant else {}
    )
    return Recording(0, 1000 * S, False, 0, 0, traces)


LIMITS = IdleStopRules(restart_max_s=0.5, restart_min_v=9.0)


def test_cold_and_warm_starts_are_judged_apart_against_the_platform_s_limits() -> None:
    starts = estimated(
        start("first", 10, 0.9, 8.5),
        start("restart", 600, 0.35, 10.5),
        start("restart", 700, 0.55, 10.2),
        start("restart", 800, math.nan, 8.8, 9.6),
    )
    cold, warm = restart_quality(recorded(before=20.0, after=90.0), starts, LIMITS)
    assert (cold.kind, cold.warmth, cold.slow, cold.dipped) == ("first", "cold", 1, 1)
    # by hand: 0.35 and 0.55 s; the third was not timed, and the control units held 9.6 V
    assert (warm.kind, warm.warmth, warm.starts, warm.timed, warm.slow) == ("restart", "warm", 3, 2, 1)
    assert warm.median_s == pytest.approx(0.45)
    assert (warm.lowest_v, warm.dipped, warm.limits_given) == (9.6, 0, True)


def test_what_counts_as_warm_is_the_platform_s_own_coolant_level() -> None:
    rules = replace(LIMITS, conditions=(Condition("coolant", "engine", "coolant_temperature", at_least=40.0),))
    one = estimated(start("restart", 10, 0.4, 10.0))
    assert restart_quality(recorded(before=50.0), one, rules)[0].warmth == "warm"
    assert restart_quality(recorded(before=50.0), one, LIMITS)[0].warmth == "cold"


def test_an_unresolved_crank_is_not_measured_but_a_dip_it_shows_counts() -> None:
    slow = replace(start("restart", 10, math.nan, 8.0), resolved=False)
    one = restart_quality(recorded(), estimated(slow), LIMITS)[0]
    assert (one.measured, one.dipped, one.warmth) == (0, 1, "warm")


def test_without_limits_of_the_platform_common_practice_stands_in_and_that_is_said() -> None:
    one = restart_quality(recorded(), estimated(start("restart", 10, 0.45, 10.0)), IdleStopRules())[0]
    assert (one.limit_s, one.slow, one.limits_given) == (0.4, 1, False)


def standstill(
    minute: float, outcome: Outcome, *conditions: str, verdict: Verdict | None = None, group: Group = "electrical"
) -> Standstill:
    role = {"charge": "battery_soc"}
    reasons = tuple(Reason(name, group, role.get(name, "x_role"), 70.0, 75.0, "%", 0) for name in conditions)
    at = int(minute * MIN)
    found: Verdict = verdict or ("sole" if len(reasons) == 1 else "multiple" if reasons else "none")
    return Standstill(at, at + 30 * S, at + 2 * S, outcome, "unknown", reasons, verdict=found)


DRIVES = (
    Drive(0, 60 * MIN, 1.0, 1.0, 14.5, 1.0),
    Drive(120 * MIN, 180 * MIN, 1.0, 1.0, 14.5, 1.0),
)


def cycling(*standstills: Standstill) -> str:
    recording = Recording(0, 200 * MIN, False, 0, 0, {})
    found, evidence = charge_cycling(standstills, estimated(drives=DRIVES), Readings(recording, estimated()))
    assert bool(evidence) == (found != "none")
    return found


def test_stops_used_up_late_in_a_trip_and_back_later_are_normal() -> None:
    used_up = [standstill(5, "stopped"), standstill(15, "stopped"), standstill(40, "refused", "charge")]
    assert cycling(*used_up, standstill(140, "stopped")) == "normal"
    assert cycling(*used_up) == "undecided"  # no stop came again: it cannot be told


def test_the_first_warm_standstill_refused_for_the_charge_is_a_defect() -> None:
    assert cycling(standstill(3, "refused", "cold"), standstill(25, "refused", "charge")) == "defect"
    assert cycling(standstill(5, "stopped"), standstill(145, "refused", "charge")) == "defect"


def test_early_refusals_for_the_charge_alone_decide_nothing() -> None:
    assert cycling(standstill(5, "refused", "charge")) == "undecided"
    assert cycling(standstill(5, "refused", "hood")) == "none"


def test_the_battery_s_share_counts_sole_refusals_and_has_a_wilson_interval() -> None:
    ones = [standstill(i, "refused", "charge") for i in range(8)]
    others = [standstill(i, "refused", "hood", group="safety") for i in range(12)]
    shares = battery_share(Account((*ones, *others, standstill(30, "stopped"))))
    # source: Wilson's interval for 8 of 20 is 0.219 to 0.613 (computed with statsmodels)
    assert (shares.refusals, shares.battery.value) == (20, 0.4)
    assert (shares.battery.low, shares.battery.high) == pytest.approx((0.219, 0.613), abs=1e-3)


def test_with_too_much_unknown_no_share_is_told() -> None:
    ones = [standstill(i, "refused", "charge") for i in range(6)]
    others = [standstill(i, "refused", verdict="unknown") for i in range(4)]
    shares = battery_share(Account((*ones, *others)))
    assert shares.unknown == 0.4
    assert not shares.battery.is_known
    assert not battery_share(Account(())).battery.is_known


@pytest.mark.parametrize(("hits", "n", "low", "high"), [(0, 10, 0.0, 0.278), (45, 60, 0.628, 0.842)])
def test_wilson_intervals_are_as_published(hits: int, n: int, low: float, high: float) -> None:
    figure = wilson(hits, n)
    assert (figure.low, figure.high) == pytest.approx((low, high), abs=1e-3)
