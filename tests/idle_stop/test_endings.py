"""How stops ended, and what the vehicle itself says: single cases drawn by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from decoder.recording import Recording, Trace
from estimator.estimate import BatteryEstimate, unknown_figure
from idle_stop.account import Standstill
from idle_stop.attribution import account_for
from signal_defs.platform import Condition, IdleStopRules
from signal_defs.text import Text

S = 1_000_000_000
Staircase = Sequence[tuple[float, float]]

RULES = IdleStopRules(
    conditions=(
        Condition("hood", "safety", "hood_open", equals=False, applies_to="both"),
        Condition("charge", "electrical", "battery_soc", at_least=75.0, applies_to="both"),
        Condition("battery warm", "electrical", "battery_temperature", at_least=5.0),
        Condition("cabin", "comfort", "cabin_temperature", at_most=28.0, applies_to="restart"),
    ),
    max_stop_s=180.0,
)
# Drive 20 s, stand 20 to 60 s, stopped from 22 s; the starter engages at 50 s.
STOP: Mapping[str, Staircase] = {
    "vehicle_speed": [(0, 40), (20, 0), (60, 40)],
    "engine_speed": [(0, 900), (22, 0), (50, 200), (50.4, 900)],
    "starter_active": [(0, 0), (50, 1), (50.4, 0)],
    "ignition_on": [(0, 1)],
    "brake_pressed": [(0, 0), (20, 1), (59, 0)],
    "hood_open": [(0, 0)],
    "battery_soc": [(0, 80)],
    "battery_temperature": [(0, 20)],
    "cabin_temperature": [(0, 22)],
}
REFUSED: Mapping[str, Staircase] = {**STOP, "engine_speed": [(0, 900)], "starter_active": [(0, 0)]}


def judged(
    base: Mapping[str, Staircase],
    *,
    end: float = 80.0,
    labels: dict[int, str] | None = None,
    rules: IdleStopRules = RULES,
    **roles: Staircase,
) -> Standstill:
    traces = {}
    for role, staircase in {**base, **roles}.items():
        if not staircase:
            continue
        time = np.arange(0.0, end, 0.1)
        index = np.searchsorted([at for at, _ in staircase], time + 1e-9, side="right") - 1
        value = np.array([number for _, number in staircase], dtype=np.float64)[index]
        valid = np.ones(len(time), dtype=np.bool_)
        stamps = np.round(time * 1e9).astype(np.int64)
        traces[role] = Trace(
            role, "bus/M.S", "", stamps, value, valid, labels or {} if role == "idle_stop_reason" else {}
        )
    none, empty = unknown_figure(Text("not estimated")), np.empty(0)
    estimate = BatteryEstimate(
        np.empty(0, dtype=np.int64), empty, empty, empty, (), (), (), (),
        none, none, none, none, none, none, none, none, none, 0.0, 0.0, 0.0,
    )  # fmt: skip
    account = account_for(Recording(0, int(end * S), False, 0, 0, traces), estimate, rules)
    assert len(account.standstills) == 1
    return account.standstills[0]


def reasons(one: Standstill) -> list[str]:
    return [reason.condition for reason in one.reasons]


@pytest.mark.parametrize(
    "action",
    [
        {"brake_pressed": [(0, 0), (20, 1), (49.7, 0)]},
        {"clutch_pressed": [(0, 0), (49.7, 1)], "gear_neutral": [(0, 1)]},
        {"accelerator": [(0, 0), (49.6, 4), (49.7, 20)]},
        {"gear_neutral": [(0, 1), (49.7, 0)], "clutch_pressed": [(0, 0)]},
        {"steering_angle": [(0, 0), (49.6, 15), (49.7, 40)]},
    ],
)
def test_what_the_driver_does_just_before_the_starter_ends_the_stop(action: dict[str, Staircase]) -> None:
    one = judged({**STOP, **action})
    assert (one.outcome, one.ended_by, one.reasons, one.verdict) == ("stopped", "driver", (), "none")


def test_a_driver_s_action_long_before_the_restart_is_not_its_cause() -> None:
    one = judged(STOP, brake_pressed=[(0, 0), (20, 1), (40, 0), (41, 1), (59, 0)])
    assert one.ended_by == "system"


def test_a_condition_that_began_to_fail_just_before_the_restart_is_its_reason() -> None:
    one = judged(STOP, cabin_temperature=[(0, 22), (49, 28.5)])
    assert (one.outcome, one.ended_by, one.verdict) == ("cut_short", "system", "sole")
    assert [(r.condition, r.value, r.threshold, r.failing_since_ns) for r in one.reasons] == [
        ("cabin", 28.5, 28.0, 49 * S)
    ]


def test_of_two_the_first_to_fail_is_the_reason() -> None:
    assert reasons(judged(STOP, cabin_temperature=[(0, 22), (49.2, 30)], battery_soc=[(0, 80), (48.8, 70)])) == [
        "charge"
    ]


def test_what_came_first_counts_the_system_or_the_driver() -> None:
    pedal: Staircase = [(0, 0), (20, 1), (49.7, 0)]
    assert judged(STOP, brake_pressed=pedal, hood_open=[(0, 0), (49.0, 1)]).ended_by == "system"
    assert judged(STOP, brake_pressed=pedal, hood_open=[(0, 0), (49.9, 1)]).ended_by == "driver"


def test_what_fails_long_before_or_only_forbids_a_new_stop_does_not_end_one() -> None:
    assert reasons(judged(STOP, cabin_temperature=[(0, 22), (40, 30)])) == []
    assert reasons(judged(STOP, battery_temperature=[(0, 20), (49, 1)])) == []


def test_forced_without_a_reason_that_can_be_seen_is_said_to_be_so() -> None:
    one = judged(STOP)
    assert (one.outcome, one.ended_by, one.verdict, one.explained) == ("cut_short", "system", "contradicted", False)
    hidden = judged(STOP, cabin_temperature=[])
    assert (hidden.verdict, hidden.unknown_conditions) == ("unknown", ("cabin",))


def test_with_the_pedals_not_visible_the_end_is_unknown() -> None:
    one = judged(STOP, brake_pressed=[])
    assert (one.outcome, one.ended_by) == ("stopped", "unknown")


def test_a_stop_as_long_as_the_limit_was_ended_by_it() -> None:
    long: dict[str, Staircase] = {
        "vehicle_speed": [(0, 40), (20, 0), (220, 40)],
        "engine_speed": [(0, 900), (22, 0), (202, 200), (202.4, 900)],
        "starter_active": [(0, 0), (202, 1), (202.4, 0)],
        "brake_pressed": [(0, 0), (20, 1), (219, 0)],
    }
    one = judged({**STOP, **long}, end=240.0)
    assert (one.outcome, one.ended_by, reasons(one)) == ("cut_short", "system", ["time limit of one stop"])
    assert one.reasons[0].threshold == 180.0


def test_a_vehicle_that_rolls_while_stopped_is_restarted_by_the_system() -> None:
    one = judged(STOP, vehicle_speed=[(0, 40), (20, 0), (49, 2), (52, 40)], brake_pressed=[(0, 0), (20, 1)])
    assert (one.ended_by, reasons(one), one.reasons[0].value) == ("system", ["vehicle stands"], 2.0)


def test_a_log_that_ends_in_a_stop_does_not_tell_who_ended_it() -> None:
    one = judged({**STOP, "engine_speed": [(0, 900), (22, 0)], "starter_active": [(0, 0)]}, end=40.0)
    assert (one.outcome, one.ended_by) == ("stopped", "unknown")


def test_an_inhibit_bit_of_the_vehicle_names_the_reason_where_none_can_be_inferred() -> None:
    one = judged(REFUSED, idle_stop_inhibit_battery=[(0, 0), (15, 1)])
    assert (one.outcome, one.verdict, one.explained) == ("refused", "sole", True)
    reason = one.reasons[0]
    assert (reason.group, reason.role, reason.told_by_vehicle) == ("electrical", "idle_stop_inhibit_battery", True)
    assert reason.failing_since_ns == 15 * S


def test_an_inhibit_bit_confirms_the_condition_of_its_group_and_denies_where_it_is_off() -> None:
    bits: dict[str, Staircase] = {"idle_stop_inhibit_battery": [(0, 1)], "idle_stop_inhibit_safety": [(0, 0)]}
    one = judged({**REFUSED, **bits}, battery_soc=[(0, 60)], hood_open=[(0, 1)])
    assert [(reason.condition, reason.told_by_vehicle) for reason in one.reasons] == [("charge", True)]
    assert one.verdict == "sole"


def test_what_the_vehicle_denies_is_not_unknown() -> None:
    one = judged(REFUSED, hood_open=[], battery_soc=[(0, 60)], idle_stop_inhibit_safety=[(0, 0)])
    assert (one.verdict, one.unknown_conditions) == ("sole", ())


def test_an_inhibit_bit_that_is_not_on_the_bus_leaves_the_inference_as_it_is() -> None:
    one = judged(REFUSED, hood_open=[(0, 1)])
    assert [(reason.condition, reason.told_by_vehicle) for reason in one.reasons] == [("hood", False)]


@pytest.mark.parametrize(
    ("label", "condition", "group"),
    [("Charge", "charge", "electrical"), ("COOLANT_LOW", "COOLANT_LOW", "engine"), ("Xyz", "Xyz", "fault")],
)
def test_the_vehicle_s_own_reason_is_taken_by_name(label: str, condition: str, group: str) -> None:
    labels = {0: "None", 5: label}
    one = judged(REFUSED, labels=labels, idle_stop_reason=[(0, 0), (20.5, 5), (61, 0)])
    assert [(r.condition, r.group, r.told_by_vehicle) for r in one.reasons] == [(condition, group, True)]
    quiet = judged(REFUSED, labels=labels, idle_stop_reason=[(0, 0)])
    assert (quiet.reasons, quiet.verdict) == ((), "contradicted")


def test_the_bit_without_a_cause_denies_what_is_inferred_but_not_what_the_driver_does() -> None:
    one = judged(REFUSED, hood_open=[(0, 1)], idle_stop_inhibited=[(0, 0)])
    assert (one.reasons, one.verdict) == ((), "contradicted")


def test_a_bit_of_the_vehicle_that_rises_before_the_restart_names_its_reason() -> None:
    one = judged(STOP, idle_stop_inhibit_comfort=[(0, 0), (49.2, 1)])
    assert (one.outcome, reasons(one)) == ("cut_short", ["climate (told by the vehicle)"])
    sure = judged(STOP, idle_stop_inhibit_comfort=[(0, 0), (49.2, 1)], cabin_temperature=[(0, 22), (49, 28.5)])
    assert [(reason.condition, reason.told_by_vehicle) for reason in sure.reasons] == [("cabin", True)]
    other = judged(STOP, idle_stop_inhibit_battery=[(0, 0), (49.2, 1)], cabin_temperature=[(0, 22), (49, 28.5)])
    assert [reason.group for reason in other.reasons] == ["electrical"]


def test_a_bit_that_was_set_all_along_ends_nothing() -> None:
    assert reasons(judged(STOP, idle_stop_inhibit_comfort=[(0, 1)])) == []


def test_the_vehicle_s_own_reason_for_an_end_is_taken_by_name() -> None:
    one = judged(STOP, labels={0: "None", 3: "Cabin"}, idle_stop_reason=[(0, 0), (49.5, 3), (52, 0)])
    assert [(reason.condition, reason.told_by_vehicle) for reason in one.reasons] == [("cabin", True)]


def test_a_bit_and_the_vehicle_s_own_reason_for_the_same_group_are_one_reason() -> None:
    labels = {0: "None", 5: "charge"}
    one = judged(REFUSED, labels=labels, idle_stop_reason=[(0, 5)], idle_stop_inhibit_battery=[(0, 0), (15, 1)])
    assert (reasons(one), one.verdict) == (["charge"], "sole")
