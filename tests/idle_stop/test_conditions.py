"""Conditions over whole columns, against a plain sample-by-sample reading of the rules."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.recording import Faults, Gap, Recording, Trace
from estimator.estimate import BatteryEstimate, unknown_figure
from idle_stop.conditions import evaluate
from idle_stop.readings import Readings
from idle_stop.steps import FAILING, MET, UNKNOWN
from signal_defs.platform import Condition
from signal_defs.text import Text

S = 1_000_000_000


def estimated(
    time_s: list[float] | None = None, low: list[float] | None = None, high: list[float] | None = None
) -> BatteryEstimate:
    """An estimate with a band of charge and nothing else."""
    none = unknown_figure(Text("not estimated"))
    time = (np.array(time_s or []) * S).astype(np.int64)
    lows, highs = np.array(low or [], dtype=np.float64), np.array(high or [], dtype=np.float64)
    return BatteryEstimate(
        time, (lows + highs) / 2, lows, highs, (), (), (), (),
        none, none, none, none, none, none, none, none, none, 0.0, 0.0, 0.0,
    )  # fmt: skip


def trace(
    role: str, time_s: list[float], value: list[float], unit: str = "%", labels: dict[int, str] | None = None
) -> Trace:
    array = np.array(value, dtype=np.float64)
    time = (np.array(time_s) * S).astype(np.int64)
    return Trace(role, "bus/M.S", unit, time, array, np.isfinite(array), labels or {})


def recorded(*traces: Trace, end_s: float = 1000.0, faults: Faults | None = None) -> Recording:
    return Recording(0, int(end_s * S), False, 0, 0, {one.role: one for one in traces}, faults=faults or Faults())


def states(
    condition: Condition, recording: Recording, at_s: list[float], stopped_s: tuple[float, ...] = ()
) -> list[int]:
    readings = Readings(recording, estimated())
    one = evaluate(condition, readings, (np.array(stopped_s) * S).astype(np.int64))
    return [one.steps.now(int(at * S)) for at in at_s]


SOC = Condition("charge", "electrical", "battery_soc", at_least=75.0, hysteresis=3.0)
VACUUM = Condition("vacuum", "safety", "brake_vacuum", at_least=35.0, hysteresis=5.0)


def plainly(condition: Condition, samples: list[tuple[int, float]], limit: int, at: int) -> int:
    """The state at an instant, sample by sample, as the rules of the platform folder are written."""
    assert condition.at_least is not None
    held, since, lost, now = UNKNOWN, 0, 0, UNKNOWN
    waiting_from = UNKNOWN
    last: int | None = None
    for time, value in samples:
        if time > at:
            break
        if last is not None and time - last > limit:
            held = now = UNKNOWN
        last = time
        if not np.isfinite(value):
            lost = time if now != UNKNOWN or held == UNKNOWN else lost
            now = UNKNOWN
            continue
        if now == UNKNOWN and time - lost > limit:
            held = UNKNOWN
        if value < condition.at_least:
            new = FAILING
        elif value >= condition.at_least + condition.hysteresis:
            new = MET
        else:
            new = held
        if new == MET and now != MET:
            since, waiting_from = time, now
        held, now = new, new
    if last is None or at - last > limit:
        return UNKNOWN
    if now == MET and at - since < condition.for_s * S:
        return waiting_from
    return now


@settings(max_examples=300, deadline=None)
@given(
    steps=st.lists(
        st.tuples(
            st.sampled_from([100, 100, 100, 100, 100, 100, 100, 3000]),
            st.sampled_from([20, 34, 35, 37, 39, 40, 50, None]),
        ),
        min_size=1,
        max_size=60,
    ),
    for_ms=st.sampled_from([0, 250, 700]),
    hysteresis=st.sampled_from([0.0, 5.0]),
)
def test_the_columns_say_what_a_plain_reading_sample_by_sample_says(
    steps: list[tuple[int, int | None]], for_ms: int, hysteresis: float
) -> None:
    condition = dataclasses.replace(VACUUM, for_s=for_ms / 1000.0, hysteresis=hysteresis)
    time_ms = np.cumsum([step for step, _ in steps])
    value = [np.nan if value is None else float(value) for _, value in steps]
    one = trace("brake_vacuum", [float(t) / 1000.0 for t in time_ms], value, "kPa")
    readings = Readings(recorded(one), estimated())
    reading = readings.of("brake_vacuum")
    assert reading is not None
    found = evaluate(condition, readings, np.empty(0, dtype=np.int64))
    samples = list(zip(one.time_ns.tolist(), value, strict=True))
    for at in range(50, int(time_ms[-1]) + 4000, 50):
        instant = at * 1_000_000
        assert found.steps.now(instant) == plainly(condition, samples, reading.limit_ns, instant), at


def test_once_failing_a_value_has_to_pass_the_release_level() -> None:
    # by hand: 76 lies between 75 and the release level 78: what held before holds
    one = trace("brake_vacuum", [float(i) for i in range(8)], [45, 37, 34, 37, 39, 40, 37, 34], "kPa")
    assert states(VACUUM, recorded(one), [0.5, 1.5, 2.5, 3.5, 4.5, 5.5, 6.5, 7.5]) == [1, 1, 0, 0, 0, 1, 1, 0]


def test_between_the_levels_with_no_past_it_is_unknown_until_a_stop_shows_that_it_was_met() -> None:
    one = trace("battery_soc", [float(i) for i in range(10)], [76.0 + 0.1 * (i % 2) for i in range(10)])
    assert states(SOC, recorded(one), [2.0, 8.0]) == [UNKNOWN, UNKNOWN]
    assert states(SOC, recorded(one), [2.0, 8.0], stopped_s=(5.0,)) == [MET, MET]


def test_a_rule_with_a_duration_counts_as_met_only_after_it() -> None:
    rule = Condition("belt", "safety", "driver_belt_latched", equals=True, for_s=3.0)
    one = trace("driver_belt_latched", [float(i) for i in range(10)], [0, 0, 1, 1, 1, 1, 1, 1, 1, 1], "bool")
    assert states(rule, recorded(one), [1.5, 2.5, 4.9, 5.0, 9.0]) == [0, 0, 0, 1, 1]


def test_missing_invalid_and_stale_are_unknown_and_never_met() -> None:
    assert states(VACUUM, recorded(), [5.0]) == [UNKNOWN]
    one = trace("brake_vacuum", [0.0, 0.1, 0.2, 0.3, 0.4], [60, 60, np.nan, 60, 60], "kPa")
    # ten periods of 0.1 s: one second after the last sample it is stale
    assert states(VACUUM, recorded(one), [0.15, 0.25, 0.35, 1.3, 1.5]) == [MET, UNKNOWN, MET, MET, UNKNOWN]


def test_a_flag_sent_on_change_holds_until_the_next_change_but_not_across_a_silent_bus() -> None:
    rule = Condition("hood", "safety", "hood_open", equals=False)
    one = trace("hood_open", [0.0, 300.0, 320.0, 600.0], [0, 1, 0, 1], "bool")
    assert states(rule, recorded(one), [299.0, 310.0, 599.0, 990.0]) == [MET, FAILING, MET, FAILING]
    silent = Faults(gaps=(Gap("", 400 * S, 500 * S),))
    assert states(rule, recorded(one, faults=silent), [399.0, 450.0, 599.0, 610.0]) == [MET, UNKNOWN, UNKNOWN, FAILING]


def test_nothing_holds_across_a_clock_step() -> None:
    one = trace("brake_vacuum", [0.0, 10.0, 20.0, 30.0], [60, 60, 60, 60], "kPa")
    stepped = Faults(clock_steps_ns=(15 * S,))
    assert states(VACUUM, recorded(one, faults=stepped), [12.0, 16.0, 21.0]) == [MET, UNKNOWN, MET]


def test_a_state_is_compared_by_name_and_an_unknown_name_is_unknown() -> None:
    one = trace("gear", [0.0, 1.0, 2.0], [4, 6, 4], "", {4: "D", 6: "N"})
    assert states(Condition("d", "driver", "gear", equals="D"), recorded(one), [0.5, 1.5]) == [MET, FAILING]
    assert states(Condition("s", "driver", "gear", equals="S"), recorded(one), [0.5]) == [UNKNOWN]


def test_a_reason_names_value_threshold_unit_and_since_when() -> None:
    one = trace("brake_vacuum", [float(i) for i in range(8)], [45, 37, 34, 33, 37, 37, 37, 37], "kPa")
    found = evaluate(VACUUM, Readings(recorded(one), estimated()), np.empty(0, dtype=np.int64))
    low, released = found.reason(3 * S), found.reason(5 * S)
    assert (low.value, low.threshold, low.unit, low.failing_since_ns) == (33.0, 35.0, "kPa", 2 * S)
    assert (released.value, released.threshold, released.failing_since_ns) == (37.0, 40.0, 2 * S)


@pytest.mark.parametrize(
    ("low", "high", "state"),
    [(80.0, 84.0, MET), (66.0, 74.0, FAILING), (72.0, 79.0, UNKNOWN), (76.0, 77.0, UNKNOWN), (np.nan, np.nan, UNKNOWN)],
)
def test_without_the_sensor_s_charge_the_estimate_decides_where_its_band_does(
    low: float, high: float, state: int
) -> None:
    readings = Readings(recorded(), estimated([0.0, 1.0, 2.0], [low] * 3, [high] * 3))
    assert evaluate(SOC, readings, np.empty(0, dtype=np.int64)).steps.now(2 * S) == state


def doubted(one: Trace, *others: Trace, estimate: BatteryEstimate | None = None) -> list[int]:
    readings = Readings(recorded(one, *others, end_s=1e6), estimate or estimated())
    found = evaluate(SOC, readings, np.empty(0, dtype=np.int64))
    return [found.steps.now(int(instant)) for instant in one.time_ns]


def test_a_charge_that_stands_still_while_charge_moves_is_unknown() -> None:
    still = trace("battery_soc", [float(i) for i in range(5)], [80.0] * 5)
    assert doubted(still) == [MET] * 5
    moved = estimated([0.0, 2.0, 4.0], [88.0, 80.0, 70.0], [92.0, 84.0, 74.0])
    assert doubted(still, estimate=moved) == [UNKNOWN] * 5


def test_a_charge_from_a_reset_sensor_is_unknown() -> None:
    soc = trace("battery_soc", [float(i) for i in range(4)], [80.0, 81.0, 80.0, 81.0])
    reset = trace("battery_sensor_reset", [float(i) for i in range(4)], [1, 1, 0, 0], "bool")
    assert doubted(soc, reset) == [UNKNOWN, UNKNOWN, MET, MET]


def test_a_charge_that_jumps_at_wake_up_is_unknown_until_the_next_sleep() -> None:
    day = [*range(5), *range(3600, 3605), *range(9000, 9005)]
    values = [90.0, 90.0, 91.0, 91.0, 91.0, 50.0, 50.0, 51.0, 51.0, 51.0, 52.0, 52.0, 52.0, 53.0, 53.0]
    soc = trace("battery_soc", [float(second) for second in day], values)
    # by hand: 91 to 50 % within an hour is no loss a resting battery has; 51 to 52 % is none
    assert doubted(soc) == [MET] * 5 + [UNKNOWN] * 5 + [FAILING] * 5
