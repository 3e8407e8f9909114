"""The battery: each symptom in a simulated recording, and beside it the one that looks alike."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from decoder.frames import FloatArray
from decoder.recording import Recording, Trace
from idlewhy.demo.battery_model import BatteryMake
from idlewhy.demo.electric_loads import Generator, Loads, Starter
from idlewhy.demo.simulate import Park
from idlewhy.demo.trip import Leg, Trip

WORN = BatteryMake("agm", nominal_ah=70.0, capacity_ah=41.0, resistance_ohm=0.0074, acceptance=0.5)
SOUND = BatteryMake("agm", nominal_ah=70.0, capacity_ah=67.0, resistance_ohm=0.0033)
FIVE_CELLS = replace(SOUND, rested_v=((0.0, 9.85), (1.0, 10.75)))  # by hand: five sixths of 11.8 and 12.9 V
EMPTIED = replace(SOUND, rested_v=((0.0, 10.6), (0.3, 12.3), (1.0, 12.9)))  # collapses when empty
TALL = BatteryMake("efb", nominal_ah=60.0, capacity_ah=55.0, resistance_ohm=0.0095, rested_v=((0.0, 12.1), (1.0, 13.2)))
LONG_DRIVE = Trip((Leg(80.0, 2400.0, 15.0), Leg(24.0, 25.0, 1.2)))
ERRAND = Trip((Leg(34.0, 20.0, 3.0), Leg(22.0, 15.0, 1.2)))


def _cranks(recording: Recording) -> list[tuple[int, int]]:
    """Spans of the starter's flag [ns], half a second wider on either side."""
    starter = recording.traces["starter_active"]
    edges = np.flatnonzero(np.diff(starter.value, prepend=0.0, append=0.0))
    half = 500_000_000
    ends = np.minimum(edges[1::2], len(starter) - 1)
    return [
        (int(starter.time_ns[a]) - half, int(starter.time_ns[b]) + half) for a, b in zip(edges[::2], ends, strict=True)
    ]


def _with_loose_clamp(recording: Recording) -> Any:
    """Every other crank finds 4 mOhm more between sensor and post."""
    spans = _cranks(recording)[::2]

    def change(trace: Trace) -> FloatArray:
        value = trace.value.copy()
        amps = recording.traces["battery_current"].held(trace.time_ns, 0.2)
        for first, last in spans:
            inside = (trace.time_ns >= first) & (trace.time_ns <= last) & (amps < -50.0)
            value[inside] += 0.006 * amps[inside]
        return value

    return change


def test_a_worn_battery_asks_for_action(make: Any) -> None:
    found = make.of(make.Scenario(make=WORN, share=0.86, values={"battery_soh": 58.0}))
    assert found.has("battery_resistance_high", "act", possible=False)
    assert found.has("capacity_low", "check", possible=True)  # the sensor's word alone


def test_a_clamp_that_holds_at_times_is_told_against_the_battery(make: Any) -> None:
    recording = make.recorded(make.Scenario(share=0.9))
    found = make.judged(make.changed(recording, {"battery_voltage": _with_loose_clamp(recording)}))
    assert "battery_resistance_high" not in found.urgent


def test_cold_does_not_pass_for_a_worn_battery(make: Any) -> None:
    assert "battery_resistance_high" not in make.of(make.Scenario(air=-15.0, share=0.9)).findings


def test_a_low_charge_does_not_pass_for_a_worn_battery(make: Any) -> None:
    found = make.of(make.Scenario(share=0.3))
    assert "battery_resistance_high" not in found.urgent


def test_a_battery_that_lost_capacity_asks_for_action(make: Any) -> None:
    faded = replace(WORN, resistance_ohm=0.0034, acceptance=1.0)
    drawn = (Park(5.0, 15.0), Trip((Leg(40.0, 190.0, 3.0), Leg(22.0, 10.0, 1.2)))) * 7
    plan = (*drawn, Park(0.02, 15.0), LONG_DRIVE, *drawn)
    loads = Loads(awake_s=60.0, running=45.0)
    nothing = Generator(rated_a=1e-6)  # so that the charge moves far between the rests
    scenario = make.Scenario(
        make=faded, share=0.95, loads=loads, generator=nothing, plan=plan, values={"battery_soh": 59.0}
    )
    assert make.of(scenario).has("capacity_low", "act", possible=False)


def test_a_wrong_coded_capacity_is_told_against_a_loss_of_capacity(make: Any) -> None:
    found = make.of(make.Scenario(values={"battery_soh": 60.0, "battery_capacity_coded": 140.0}))
    assert found.has("capacity_low", "check", possible=True)
    assert found.findings["capacity_low"].against


def test_a_rest_voltage_above_the_type_with_weak_cranks_is_told(make: Any) -> None:
    found = make.of(make.Scenario(make=TALL, share=0.95, starter=Starter(170.0, 0.32), platform="example-hatch"))
    assert found.has("wrong_type_or_stratified", "check", possible=False)


def test_surface_charge_after_a_drive_is_no_wrong_type(make: Any) -> None:
    plan = (make.Scenario().trip(), Park(1.0, 15.0), make.Scenario().trip(4))
    found = make.of(make.Scenario(share=0.95, plan=plan, generator=Generator(smart=False)))
    assert "wrong_type_or_stratified" not in found.findings


def test_a_shorted_cell_asks_for_action(make: Any) -> None:
    plan = (Park(6.5, 15.0), LONG_DRIVE, Park(6.5, 15.0))
    found = make.of(make.Scenario(make=FIVE_CELLS, share=0.5, plan=plan, generator=Generator(full_share=1.1)))
    assert found.has("shorted_cell", "act", possible=False)


def test_a_deep_discharge_that_recovers_is_no_shorted_cell(make: Any) -> None:
    plan = (Park(6.5, 15.0), LONG_DRIVE, Park(6.5, 15.0))
    found = make.of(make.Scenario(make=EMPTIED, share=0.03, plan=plan, generator=Generator(full_share=1.1)))
    assert "shorted_cell" not in found.urgent


def _charged_full_yet_low(recording: Recording) -> dict[str, Callable[[Trace], FloatArray]]:
    """The current dies away in the drive, and the rest that follows stands half a volt lower."""
    running = recording.traces["engine_running"]
    on = running.time_ns[running.value > 0]
    first, night = int(on[0]) + 600_000_000_000, int(recording.traces["vehicle_speed"].time_ns[0]) + 2_480_000_000_000

    def current(trace: Trace) -> FloatArray:
        inside = (trace.time_ns > first) & (trace.value > -30.0) & (trace.time_ns < night)
        return np.where(inside, 0.4, trace.value)

    def voltage(trace: Trace) -> FloatArray:
        return np.where((trace.time_ns > night) & (trace.value < 13.3), trace.value - 0.5, trace.value)

    return {"battery_current": current, "battery_voltage": voltage}


def test_a_low_rest_voltage_after_a_full_charge_is_told(make: Any) -> None:
    plan = (LONG_DRIVE, Park(8.0, 20.0), ERRAND)
    recording = make.recorded(make.Scenario(share=0.97, air=20.0, plan=plan, generator=Generator(smart=False)))
    found = make.judged(make.changed(recording, _charged_full_yet_low(recording)))
    assert found.estimate.full_charges_ns
    assert found.has("low_ocv_at_full", "check", possible=False)


def test_a_low_rest_voltage_without_a_full_charge_says_nothing_of_lost_acid(make: Any) -> None:
    plan = (LONG_DRIVE, Park(8.0, 20.0), ERRAND)
    found = make.of(make.Scenario(share=0.45, air=20.0, plan=plan, generator=Generator(smart=False)))
    assert "low_ocv_at_full" not in found.findings


ERRANDS = (Park(0.25, 12.0), ERRAND) * 7


def _one_after_the_other(make: Any, first: Any, then: Any) -> Recording:
    """Two vehicles' recordings as one: the same car before and after somebody changed its battery."""
    one, other = make.recorded(first), make.recorded(then)
    shift = one.end_ns - other.start_ns + 3_600_000_000_000
    traces = []
    for role, before in one.traces.items():
        after = other.traces[role]
        joined = {
            name: np.concatenate([getattr(before, name), getattr(after, name) + (shift if name == "time_ns" else 0)])
            for name in ("time_ns", "value")
        }
        traces.append(replace(before, **joined, valid=np.concatenate([before.valid, after.valid])))
    return make.recording_of(traces)  # type: ignore[no-any-return]


def test_a_changed_battery_is_told(make: Any) -> None:
    old = make.Scenario(make=WORN, plan=ERRANDS)
    new = make.Scenario(make=SOUND, plan=ERRANDS, values={"battery_sensor_reset": True})
    found = make.judged(_one_after_the_other(make, old, new))
    assert found.has("battery_changed", "check", possible=False)


def test_a_cold_spell_is_no_changed_battery(make: Any) -> None:
    mild, cold = make.Scenario(plan=ERRANDS), make.Scenario(plan=ERRANDS, air=-12.0)
    assert "battery_changed" not in make.judged(_one_after_the_other(make, mild, cold)).findings


def test_a_tightened_clamp_is_only_a_possible_change_of_battery(make: Any) -> None:
    loose, firm = make.Scenario(make=WORN, plan=ERRANDS), make.Scenario(plan=ERRANDS)
    assert make.judged(_one_after_the_other(make, loose, firm)).has("battery_changed", "check", possible=True)
