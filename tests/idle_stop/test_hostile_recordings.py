"""Recordings of any shape are judged without an error, and never say more than they can."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.recording import Faults, Gap, Recording, Trace
from estimator.estimate import BatteryEstimate, Phase, PhaseKind, unknown_figure
from idle_stop.attribution import account_for
from idle_stop.decisions import decisions_of
from idle_stop.proposal import toml_proposal
from idle_stop.thresholds import learn_thresholds
from signal_defs.platform import Condition, IdleStopRules
from signal_defs.roles import ROLES
from signal_defs.text import Text

pytestmark = pytest.mark.fault

S = 1_000_000_000
RULES = IdleStopRules(
    conditions=(
        Condition("charge", "electrical", "battery_soc", at_least=50.0, hysteresis=5.0, applies_to="both"),
        Condition("belt", "safety", "driver_belt_latched", equals=True, for_s=2.0),
        Condition("gear", "driver", "gear", equals="D"),
        Condition("cabin", "comfort", "cabin_temperature", at_most=28.0, applies_to="restart"),
    ),
    max_stop_s=60.0,
)
SEEN = [
    "vehicle_speed", "engine_speed", "engine_running", "ignition_on", "starter_active", "idle_stop_active",
    "brake_pressed", "clutch_pressed", "gear_neutral", "gear", "accelerator", "battery_soc", "driver_belt_latched",
    "cabin_temperature", "idle_stop_inhibited", "idle_stop_inhibit_battery", "idle_stop_reason", "battery_sensor_reset",
]  # fmt: skip
KINDS: tuple[PhaseKind, ...] = ("parked", "awake", "cranking", "running", "idle_stop", "unknown")


@st.composite
def any_trace(draw: st.DrawFn, role: str) -> Trace:
    gaps = draw(st.lists(st.sampled_from([0, 0, 1, 5, 100, 100, 1000, 5000, 700_000]), max_size=40))
    time = np.cumsum(np.array(gaps, dtype=np.int64)) * 1_000_000
    kind = ROLES[role].kind
    pool = [0.0, 1.0] if kind == "flag" else [0.0, 1.0, 4.0, 7.0] if kind == "state" else [0.0, 1.0, 40.0, 52.0, 900.0]
    value = np.array(draw(st.lists(st.sampled_from([*pool, np.nan]), min_size=len(gaps), max_size=len(gaps))))
    labels = {0: "None", 4: "D", 7: "R"} if kind == "state" else {}
    return Trace(role, "bus/M.S", ROLES[role].unit, time, value.astype(np.float64), np.isfinite(value), labels)


@st.composite
def any_recording(draw: st.DrawFn) -> tuple[Recording, BatteryEstimate]:
    roles = draw(st.lists(st.sampled_from(SEEN), unique=True, max_size=len(SEEN)))
    traces = {role: draw(any_trace(role)) for role in roles}
    end = max([int(trace.time_ns[-1]) for trace in traces.values() if len(trace)], default=0)
    faults = Faults(
        gaps=(Gap("", end // 3, end // 2),) if draw(st.booleans()) else (),
        clock_steps_ns=(end // 4,) if draw(st.booleans()) else (),
    )
    cuts = sorted(draw(st.lists(st.integers(0, end), max_size=6)))
    phases = tuple(
        Phase(draw(st.sampled_from(KINDS)), low, high) for low, high in zip([0, *cuts], [*cuts, end], strict=True)
    )
    none, empty = unknown_figure(Text("not estimated")), np.empty(0)
    estimate = BatteryEstimate(
        np.empty(0, dtype=np.int64), empty, empty, empty, phases, (), (), (),
        none, none, none, none, none, none, none, none, none, 0.0, 0.0, 0.0,
    )  # fmt: skip
    return Recording(0, end, False, 0, 0, traces, faults=faults), estimate


@settings(max_examples=120, deadline=None)
@given(any_recording())
def test_any_recording_gives_an_account_that_keeps_its_own_rules(case: tuple[Recording, BatteryEstimate]) -> None:
    recording, estimate = case
    account = account_for(recording, estimate, RULES)
    for one in account.standstills:
        assert one.start_ns <= one.end_ns
        names = [reason.condition for reason in one.reasons]
        assert len(names) == len(set(names))
        assert not set(names) & set(one.unknown_conditions)
        assert (one.outcome == "not_sought") == (one.not_sought_because is not None)
        assert (one.stop_start_ns is not None) == (one.outcome in {"stopped", "cut_short"})
        assert (one.outcome == "cut_short") == (one.ended_by == "system")
        if one.outcome == "refused":
            expected = {0: {"unknown", "contradicted"}, 1: {"sole", "probable"}}.get(len(names), {"multiple"})
            assert one.verdict in expected
        for reason in one.reasons:
            assert reason.role in {*recording.traces, ""}
        str(one.not_sought_because)
    for text in account.unknown:
        str(text)
    toml_proposal(learn_thresholds([decisions_of(recording, estimate, account, RULES)]), RULES)
