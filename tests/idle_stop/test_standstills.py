"""Single standstills, drawn by hand: what counts as an opportunity, how a stop ended, what the vehicle itself says."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

import numpy as np
import pytest

from decoder.recording import Recording, Trace
from estimator.estimate import BatteryEstimate, Phase, PhaseKind, unknown_figure
from idle_stop.account import Account, Standstill
from idle_stop.attribution import ARMING, ASKING, account_for
from signal_defs.platform import Condition, IdleStopRules
from signal_defs.text import Text

S = 1_000_000_000
Staircase = Sequence[tuple[float, float]]  # from second, value; NaN: not on the bus

HOOD = Condition("hood", "safety", "hood_open", equals=False, applies_to="both")
CHARGE = Condition("charge", "electrical", "battery_soc", at_least=75.0, applies_to="both")
VOLTAGE = Condition("voltage", "electrical", "battery_voltage", at_least=11.5, applies_to="restart")
RULES = IdleStopRules(conditions=(HOOD, CHARGE))

# Drive 20 s, stand from 20 to 60 s, drive on. The engine is stopped at 22 s and runs again at 50.4 s.
SPEED: Staircase = [(0, 40), (20, 0), (60, 40)]
STOPPED: Staircase = [(0, 900), (22, 0), (50, 200), (50.4, 900)]
RUNNING: Staircase = [(0, 900)]
BRAKE: Staircase = [(0, 0), (20, 1), (49.8, 0)]
GOOD: Mapping[str, Staircase] = {"hood_open": [(0, 0)], "battery_soc": [(0, 80)]}


def sampled(role: str, staircase: Staircase, end: float, labels: dict[int, str] | None = None) -> Trace:
    time = np.arange(0.0, end, 0.1)
    index = np.searchsorted([at for at, _ in staircase], time + 1e-9, side="right") - 1
    value = np.array([number for _, number in staircase], dtype=np.float64)[index]
    kept = np.isfinite(value)
    unit = "bool" if role.endswith(("pressed", "open", "on", "neutral")) or "inhibit" in role else ""
    stamps = np.round(time[kept] * 1e9).astype(np.int64)
    return Trace(role, "bus/M.S", unit, stamps, value[kept], np.ones(int(kept.sum()), dtype=np.bool_), labels or {})


def estimated(*phases: tuple[PhaseKind, float, float]) -> BatteryEstimate:
    none, empty = unknown_figure(Text("not estimated")), np.empty(0)
    found = tuple(Phase(kind, int(start * S), int(end * S)) for kind, start, end in phases)
    return BatteryEstimate(
        np.empty(0, dtype=np.int64), empty, empty, empty, found, (), (), (),
        none, none, none, none, none, none, none, none, none, 0.0, 0.0, 0.0,
    )  # fmt: skip


def account(
    rules: IdleStopRules = RULES,
    *,
    end: float = 80.0,
    estimate: BatteryEstimate | None = None,
    labels: dict[int, str] | None = None,
    drawn: Mapping[str, Staircase] | None = None,
    **roles: Staircase,
) -> Account:
    traces = {
        role: sampled(role, staircase, end, labels if role in {"gear", "idle_stop_reason"} else None)
        for role, staircase in {**GOOD, **(drawn or {}), **roles}.items()
        if staircase
    }
    return account_for(Recording(0, int(end * S), False, 0, 0, traces), estimate or estimated(), rules)


def only(**roles: Staircase) -> Standstill:
    return one_of(account(drawn=roles))


def one_of(judged: Account) -> Standstill:
    assert len(judged.standstills) == 1
    return judged.standstills[0]


def reasons(one: Standstill) -> list[str]:
    return [reason.condition for reason in one.reasons]


def test_a_stop_is_seen_with_its_times() -> None:
    one = only(vehicle_speed=SPEED, engine_speed=STOPPED, brake_pressed=BRAKE, ignition_on=[(0, 1)])
    assert (one.start_ns, one.end_ns, one.decision_ns) == (20 * S, 60 * S, int(21.5 * S))
    assert (one.outcome, one.ended_by, one.verdict, one.explained) == ("stopped", "driver", "none", True)
    assert one.stop_start_ns == 22 * S
    assert one.stop_end_ns == int(50.4 * S)


def test_a_standstill_shorter_than_the_delay_is_not_a_refusal() -> None:
    one = only(vehicle_speed=[(0, 40), (20, 0), (21.4, 40)], engine_speed=RUNNING, brake_pressed=[(0, 1)])
    assert one.outcome == "not_sought"
    assert "1.4 s" in str(one.not_sought_because)


def test_after_a_start_the_vehicle_has_to_drive_before_a_stop_is_sought_again() -> None:
    creep: Staircase = [(0, 40), (20, 0), (60, 3), (63, 0), (75, 40)]
    first, second = account(
        vehicle_speed=creep, engine_speed=STOPPED, brake_pressed=[*BRAKE, (63, 1)], ignition_on=[(0, 1)]
    ).standstills
    assert (first.outcome, second.outcome) == ("stopped", "not_sought")
    assert "4 km/h" in str(second.not_sought_because)


def test_standing_after_the_first_start_is_not_a_refusal() -> None:
    one = only(vehicle_speed=[(0, 0), (30, 40)], engine_speed=[(0, 0), (5, 900)], brake_pressed=[(0, 1)])
    assert (one.start_ns, one.outcome) == (5 * S, "not_sought")


def test_a_log_that_begins_at_a_standstill_cannot_tell_whether_the_vehicle_had_driven() -> None:
    one = only(vehicle_speed=[(0, 0), (30, 40)], engine_speed=RUNNING, brake_pressed=[(0, 1)])
    assert (one.outcome, one.verdict, one.unknown_conditions) == ("refused", "unknown", (ARMING,))


def test_without_the_brake_held_no_stop_is_sought() -> None:
    one = only(vehicle_speed=SPEED, engine_speed=RUNNING, brake_pressed=[(0, 0)])
    assert (one.outcome, one.verdict) == ("not_sought", "none")


def test_a_manual_gearbox_seeks_a_stop_in_neutral_with_the_clutch_released_and_is_judged_from_then() -> None:
    pedals: dict[str, Staircase] = {"gear_neutral": [(0, 0), (30, 1)], "clutch_pressed": [(0, 1), (31, 0), (58, 1)]}
    one = only(vehicle_speed=SPEED, engine_speed=RUNNING, hood_open=[(0, 0), (25, 1)], **pedals)
    # by hand: neutral and clutch released from 31 s; decision 1.5 s later
    assert (one.outcome, one.decision_ns, reasons(one)) == ("refused", int(32.5 * S), ["hood"])
    held = only(vehicle_speed=SPEED, engine_speed=RUNNING, gear_neutral=[(0, 0)], clutch_pressed=[(0, 1)])
    assert held.outcome == "not_sought"


def test_in_reverse_no_stop_is_sought() -> None:
    judged = account(vehicle_speed=SPEED, engine_speed=RUNNING, gear=[(0, 7)], labels={7: "R", 4: "D"})
    assert one_of(judged).outcome == "not_sought"


def test_a_pedal_that_the_platform_makes_a_condition_is_judged_by_it() -> None:
    rules = IdleStopRules(conditions=(Condition("brake held", "driver", "brake_pressed", equals=True),))
    one = one_of(account(rules, vehicle_speed=SPEED, engine_speed=RUNNING, brake_pressed=[(0, 0)]))
    assert (one.outcome, one.verdict, reasons(one)) == ("refused", "sole", ["brake held"])


def test_switching_off_with_the_key_is_no_idle_stop() -> None:
    key = only(vehicle_speed=[(0, 40), (20, 0)], engine_speed=[(0, 900), (30, 0)], ignition_on=[(0, 1), (29.9, 0)])
    assert (key.outcome, key.stop_start_ns, key.end_ns) == ("refused", None, 30 * S)


def test_a_stop_from_which_the_driver_switches_off_was_ended_by_him() -> None:
    one = only(vehicle_speed=[(0, 40), (20, 0)], engine_speed=[(0, 900), (22, 0)], ignition_on=[(0, 1), (45, 0)])
    assert (one.outcome, one.ended_by, one.stop_end_ns) == ("stopped", "driver", 45 * S)


def test_without_an_ignition_signal_the_estimate_s_phases_tell_a_stop_from_switching_off() -> None:
    engine: Staircase = [(0, 900), (22, 0)]
    stopped = estimated(("running", 0, 22), ("idle_stop", 22, 60), ("unknown", 60, 80))
    parked = estimated(("running", 0, 22), ("awake", 22, 60), ("parked", 60, 80))
    speed: Staircase = [(0, 40), (19, 0)]
    assert one_of(account(estimate=stopped, vehicle_speed=speed, engine_speed=engine)).outcome == "stopped"
    assert one_of(account(estimate=parked, vehicle_speed=speed, engine_speed=engine)).outcome == "refused"


def test_no_standstill_reaches_across_a_gap_of_forty_minutes() -> None:
    """A gap between two logs is no idling: it adds no second to any refusal."""
    gone = [(0.0, 40.0), (20.0, 0.0), (30.0, np.nan), (2430.0, 0.0), (2440.0, 40.0)]
    engine = [(0.0, 900.0), (30.0, np.nan), (2430.0, 900.0)]
    judged = account(vehicle_speed=gone, engine_speed=engine, hood_open=[(0, 1)], end=2460.0)
    assert [round(one.seconds) for one in judged.standstills] == [11, 10]  # the last sample holds for one second
    assert sum(idle for _, _, idle in judged.reason_counts.values()) < 20.0
    assert ARMING in judged.standstills[1].unknown_conditions


@pytest.mark.parametrize("missing", ["hood_open", "battery_soc"])
def test_a_missing_inhibitor_makes_a_refusal_unknown_never_met_and_never_the_battery(missing: str) -> None:
    one = only(vehicle_speed=SPEED, engine_speed=RUNNING, brake_pressed=[(0, 1)], **{missing: []})
    name = {"hood_open": "hood", "battery_soc": "charge"}[missing]
    assert (one.outcome, one.verdict, one.reasons) == ("refused", "unknown", ())
    assert one.unknown_conditions == (name,)
    assert not one.explained


def test_the_verdicts_follow_from_what_fails_and_what_is_seen() -> None:
    base: dict[str, Staircase] = {"vehicle_speed": SPEED, "engine_speed": RUNNING, "brake_pressed": [(0, 1)]}
    assert only(**base).verdict == "contradicted"
    assert only(**base, hood_open=[(0, 1)]).verdict == "sole"
    assert only(**base, hood_open=[(0, 1)], battery_soc=[]).verdict == "probable"
    assert only(**base, hood_open=[(0, 1)], battery_soc=[(0, 60)]).verdict == "multiple"


def test_without_any_pedal_a_refusal_never_contradicts_the_rules() -> None:
    one = only(vehicle_speed=SPEED, engine_speed=RUNNING)
    assert (one.verdict, one.unknown_conditions) == ("unknown", (ASKING,))


def test_conditions_are_judged_at_the_decision_not_over_the_standstill() -> None:
    base: dict[str, Staircase] = {"vehicle_speed": SPEED, "engine_speed": RUNNING, "brake_pressed": [(0, 1)]}
    assert reasons(only(**base, hood_open=[(0, 0), (25, 1)])) == []
    assert reasons(only(**base, hood_open=[(0, 1), (25, 0)])) == ["hood"]


def test_a_stop_although_a_condition_fails_is_not_explained() -> None:
    one = only(vehicle_speed=SPEED, engine_speed=STOPPED, brake_pressed=BRAKE, ignition_on=[(0, 1)], hood_open=[(0, 1)])
    assert (one.outcome, one.explained) == ("stopped", False)


def test_the_battery_s_line_alone_shows_the_stops_and_offers_no_reason_but_the_battery_s() -> None:
    phases = estimated(("running", 0, 22), ("idle_stop", 22, 50), ("cranking", 50, 50.5), ("running", 50.5, 80))
    rules = IdleStopRules(conditions=(HOOD, CHARGE, VOLTAGE))
    judged = account(
        rules, estimate=phases, battery_voltage=[(0, 14), (22, 12.4), (49, 11.2), (50.5, 14)], hood_open=[]
    )
    one = one_of(judged)
    assert judged.battery_only
    assert "no reason but the battery's" in " ".join(str(text) for text in judged.unknown)
    assert (one.outcome, one.ended_by, reasons(one)) == ("cut_short", "system", ["voltage"])
    assert "hood" not in one.unknown_conditions
    plain = one_of(account(rules, estimate=phases, battery_voltage=[(0, 14), (22, 12.4), (50.5, 14)], hood_open=[]))
    assert (plain.outcome, plain.ended_by) == ("stopped", "unknown")


def test_the_vehicle_s_own_flag_marks_the_stops() -> None:
    one = only(vehicle_speed=SPEED, idle_stop_active=[(0, 0), (23, 1), (47, 0)], brake_pressed=[(0, 1), (46.8, 0)])
    assert (one.stop_start_ns, one.stop_end_ns, one.ended_by) == (23 * S, 47 * S, "driver")


def test_rules_without_conditions_give_an_account_without_reasons() -> None:
    rules = dataclasses.replace(RULES, conditions=())
    one = one_of(account(rules, vehicle_speed=SPEED, engine_speed=RUNNING, brake_pressed=[(0, 1)]))
    assert (one.outcome, one.verdict) == ("refused", "contradicted")


def test_a_log_without_standstills_gives_an_empty_account() -> None:
    judged = account(vehicle_speed=[(0, 40)], engine_speed=RUNNING)
    assert (judged.standstills, judged.cures, judged.smallest_cures) == ((), (), ())
