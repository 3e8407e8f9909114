"""Sensor, learning, bus and logger: each symptom, and beside it the one that looks alike."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from decoder.frames import FloatArray
from decoder.recording import Recording, Trace
from idle_stop.findings.data import role_name
from idlewhy.demo.battery_model import BatteryMake
from idlewhy.demo.simulate import Park
from reports.role_words import ROLE_WORDS
from signal_defs.text import Text

WORN = BatteryMake("agm", nominal_ah=70.0, capacity_ah=41.0, resistance_ohm=0.0074, acceptance=0.5)
FLOODED = BatteryMake("flooded", nominal_ah=70.0, capacity_ah=66.0, resistance_ohm=0.0035)


def _drive(recording: Recording) -> tuple[int, int]:
    """First and last instant of the running engine [ns]."""
    running = recording.traces["engine_running"]
    on = running.time_ns[running.value > 0]
    return int(on[0]), int(on[-1])


def _rejecting(recording: Recording, **rejected: int) -> Recording:
    return replace(recording, faults=replace(recording.faults, rejected=rejected))


def _without_samples(make: Any, recording: Recording, spans: list[tuple[int, int]]) -> Recording:
    traces = []
    for trace in recording.traces.values():
        keep = np.ones(len(trace), np.bool_)
        for first, last in spans:
            keep &= (trace.time_ns < first) | (trace.time_ns > last)
        traces.append(make.cut(trace, keep))
    return make.recording_of(traces)  # type: ignore[no-any-return]


def test_a_sleeping_sensor_that_reads_charge_is_off_its_zero(make: Any) -> None:
    found = make.judged(make.changed(make.recorded(make.Scenario()), {"battery_current": lambda t: t.value + 0.12}))
    assert "current_offset" in found.findings
    assert "current_offset" not in found.urgent


def test_a_real_draw_is_no_offset(make: Any) -> None:
    assert "current_offset" not in make.of(make.Scenario()).findings


def test_a_charger_on_the_parked_vehicle_is_no_offset(make: Any) -> None:
    recording = make.recorded(make.Scenario())
    running = _drive(recording)[0]

    def charged(volts: float) -> Any:
        return lambda t: np.where(t.time_ns < running - 60_000_000_000, volts, t.value)

    charger = {"battery_current": charged(0.4), "battery_voltage": charged(13.6)}
    assert "current_offset" not in make.judged(make.changed(recording, charger)).findings


def test_a_current_that_counts_the_other_way_asks_for_action(make: Any) -> None:
    found = make.judged(make.changed(make.recorded(make.Scenario()), {"battery_current": lambda t: -t.value}))
    assert found.has("current_sign_wrong", "act", possible=False)


def test_one_jump_start_does_not_turn_the_sign_round(make: Any) -> None:
    recording = make.recorded(make.Scenario(values={"jump_start_seen": True}))
    first = _drive(recording)[0]

    def helped(trace: Trace) -> FloatArray:
        crank = (trace.time_ns > first - 2_000_000_000) & (trace.time_ns < first) & (trace.value < -80.0)
        return np.where(crank, 120.0, trace.value)

    found = make.judged(make.changed(recording, {"battery_current": helped}))
    assert "current_sign_wrong" not in found.urgent


UNLEARNED = {"battery_sensor_reset": True, "battery_soc_plausible": False}


def test_a_sensor_that_was_reset_and_still_has_not_learned_is_told(make: Any) -> None:
    found = make.of(make.Scenario(share=0.93, soc_shown=80.0, values=UNLEARNED))
    assert found.has("sensor_reset_unlearned", "check", possible=False)


def test_a_charge_that_is_really_low_is_no_reset(make: Any) -> None:
    assert "sensor_reset_unlearned" not in make.of(make.Scenario(share=0.6)).findings


def test_a_low_charge_is_told_against_an_unlearned_sensor(make: Any) -> None:
    found = make.of(make.Scenario(share=0.45, soc_shown=80.0, values=UNLEARNED))
    assert found.has("sensor_reset_unlearned", "check", possible=True)


def test_a_sensor_that_was_reset_is_told_once(make: Any) -> None:
    found = make.of(make.Scenario(share=0.93, night_h=2.5, values={"battery_sensor_reset": True}))
    assert found.has("sensor_reset_unlearned", "check", possible=False)
    assert "relearn_pending" not in found.findings


def test_good_figures_with_a_flag_still_pending_are_to_be_waited_for(make: Any) -> None:
    found = make.of(make.Scenario(share=0.93, night_h=2.5, values={"jump_start_seen": True}))
    assert found.has("relearn_pending", "note", possible=False)
    assert not found.urgent


def test_a_worn_battery_is_not_only_waiting_to_be_learned(make: Any) -> None:
    found = make.of(make.Scenario(make=WORN, share=0.9, night_h=2.5, values={"jump_start_seen": True}))
    assert found.has("relearn_pending", "note", possible=True)
    assert "battery_resistance_high" in found.findings


def test_another_battery_coded_than_fitted_is_told(make: Any) -> None:
    values = {"battery_capacity_coded": 135.0}
    found = make.of(make.Scenario(share=0.9, believed_resistance=0.0085, values=values))
    assert found.has("battery_coding_wrong", "check", possible=False)


def test_a_battery_of_another_type_than_the_platform_says_is_no_sure_coding(make: Any) -> None:
    found = make.of(make.Scenario(make=FLOODED, share=0.9)).findings.get("battery_coding_wrong")
    assert found is None or found.possible


def test_a_health_that_the_sensor_has_learned_is_no_wrong_coding(make: Any) -> None:
    found = make.of(make.Scenario(make=WORN, share=0.86, values={"battery_soh": 58.0}))
    assert "battery_coding_wrong" not in found.findings


def test_a_sensor_that_mostly_stays_silent_asks_for_action(make: Any) -> None:
    def mostly_nothing(trace: Trace) -> FloatArray:
        return np.where(np.arange(len(trace)) % 10 < 7, np.nan, trace.value)

    recording = make.recorded(make.Scenario())
    broken = make.changed(recording, {"battery_voltage": mostly_nothing, "battery_current": mostly_nothing})
    found = make.judged(_rejecting(broken, lin_no_response=30_000))
    assert found.has("sensor_mute", "act", possible=False)


def test_a_line_asleep_while_parked_is_no_mute_sensor(make: Any) -> None:
    found = make.judged(_rejecting(make.recorded(make.Scenario()), lin_no_response=9_000))
    assert found.has("sensor_mute", "check", possible=True)


def test_damaged_frames_of_two_kinds_are_told(make: Any) -> None:
    found = make.judged(_rejecting(make.recorded(make.Scenario()), lin_checksum=3_000, lin_parity=2_500))
    assert found.has("lin_errors", "check", possible=False)


def test_a_checksum_that_fails_nearly_always_speaks_against_the_definition(make: Any) -> None:
    found = make.judged(_rejecting(make.recorded(make.Scenario()), lin_checksum=2_000_000))
    assert found.has("lin_errors", "check", possible=True)


def test_two_bad_frames_in_a_night_are_nothing_to_tell(make: Any) -> None:
    assert "lin_errors" not in make.judged(_rejecting(make.recorded(make.Scenario()), lin_checksum=2)).findings


@pytest.mark.parametrize(
    ("role", "stuck"), [("battery_voltage", 14.1), ("battery_current", 7.3), ("engine_speed", 1500.0)]
)
def test_a_value_that_hangs_while_another_moves_is_told(make: Any, role: str, stuck: float) -> None:
    recording = make.recorded(make.Scenario())
    begin = _drive(recording)[0] + 200_000_000_000

    def hangs(trace: Trace) -> FloatArray:
        inside = (trace.time_ns > begin) & (trace.time_ns < begin + 300_000_000_000)
        return np.where(inside, stuck, trace.value)

    assert make.judged(make.changed(recording, {role: hangs})).has("frozen_value", "check", possible=False)


def test_a_current_that_is_constant_in_sleep_is_not_frozen(make: Any) -> None:
    recording = make.recorded(make.Scenario(plan=(Park(3.0, 12.0),)))
    still = make.changed(recording, {"battery_current": lambda trace: np.full(len(trace), -0.05)})
    assert "battery_current" in still.faults.frozen
    assert "frozen_value" not in make.judged(still).findings


def test_a_hole_in_the_log_of_a_drive_is_noted(make: Any) -> None:
    recording = make.recorded(make.Scenario())
    begin = _drive(recording)[0] + 300_000_000_000
    found = make.judged(_without_samples(make, recording, [(begin, begin + 150_000_000_000)]))
    assert found.has("data_gap", "note", possible=False)


def test_a_bus_that_sleeps_is_no_hole_in_the_log(make: Any) -> None:
    recording = make.recorded(make.Scenario())
    begin = recording.start_ns + 900_000_000_000
    asleep = _without_samples(make, recording, [(begin, _drive(recording)[0] - 60_000_000_000)])
    assert any(gap.role == "battery_current" for gap in asleep.faults.gaps)
    assert "data_gap" not in make.judged(asleep).findings


def test_roles_are_named_to_people_as_the_reports_name_them() -> None:
    for role in ("battery_voltage", "battery_current", "board_voltage", "engine_speed", "vehicle_speed"):
        assert role_name(role) == ROLE_WORDS[role]
    assert str(role_name("x_tow_hitch")) == "tow hitch"


def test_no_finding_shows_the_raw_name_of_a_role(make: Any) -> None:
    for scenario in (make.Scenario(values=UNLEARNED), make.Scenario(values={"hood_open": True})):
        for one in make.of(scenario).findings.values():
            assert not any("_" in str(line) for line in (*one.evidence, *one.against))
            assert all(isinstance(line, Text) for line in one.evidence)
