"""An analysis made by hand: a van, two drives and a night, with every kind of standstill."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from decoder.recording import Faults, Gap, Recording, Source, Trace
from estimator.estimate import (
    BatteryEstimate,
    Drive,
    Figure,
    Phase,
    Rest,
    Start,
    WakeUp,
    unknown_figure,
)
from idle_stop.account import Account, Cure, Reason, Standstill
from idle_stop.analysis import Analysis, Finding
from signal_defs.platform import Battery, Condition, IdleStopRules, Platform
from signal_defs.text import Text

START = 1_741_000_000 * 1_000_000_000  # 2025-03-03 11:06:40 UTC
S = 1_000_000_000
DURATION_S = 40_000


def _trace(role: str, unit: str, period_s: float, shape: Callable[[Any], Any]) -> Trace:
    seconds = np.arange(0.0, DURATION_S, period_s)
    value = np.asarray(shape(seconds), dtype=np.float64)
    return Trace(
        role=role,
        source=f"body/Message.{role}",
        unit=unit,
        time_ns=START + (seconds * 1e9).astype(np.int64),
        value=value,
        valid=np.isfinite(value),
    )


def _standing(seconds: Any) -> Any:
    return ((seconds % 300) > 240) & ((seconds < 3600) | (seconds > 36_400))


def _traces() -> dict[str, Trace]:
    def driving(t: Any) -> Any:
        return (t < 3600) | (t > 36_400)

    return {
        "battery_voltage": _trace(
            "battery_voltage",
            "V",
            0.5,
            lambda t: np.where(driving(t), 14.2, 12.4) + 0.02 * np.sin(t) - 3.0 * ((t % 300) > 299),
        ),
        "battery_current": _trace(
            "battery_current", "A", 0.5, lambda t: np.where(driving(t), 8.0, -0.04) - 400.0 * ((t % 300) > 299.4)
        ),
        "battery_temperature": _trace("battery_temperature", "degC", 10.0, lambda t: 12.0 + t / 8000),
        "battery_soc": _trace("battery_soc", "%", 10.0, lambda t: 73.0 + 3 * np.sin(t / 6000)),
        "engine_speed": _trace("engine_speed", "rpm", 1.0, lambda t: np.where(driving(t), 820.0, 0.0)),
        "vehicle_speed": _trace("vehicle_speed", "km/h", 1.0, lambda t: np.where(_standing(t), 0.0, 42.0)),
        "hood_open": _trace("hood_open", "bool", 5.0, lambda t: (t > 39_000).astype(float)),
    }


SOC = Reason("state of charge", "electrical", "battery_soc", 71.4, 75.0, "%", START + 200 * S)
HOOD = Reason("hood closed", "safety", "hood_open", True, False, "bool", START + 39_000 * S)


def _standstill(second: int, outcome: Any, **more: Any) -> Standstill:
    start = START + second * S
    values: dict[str, Any] = {
        "start_ns": start,
        "end_ns": start + 58 * S,
        "decision_ns": start + 1_500_000_000,
        "outcome": outcome,
        "ended_by": "unknown",
    }
    return Standstill(**(values | more))


def _standstills() -> tuple[Standstill, ...]:
    def stop(second: int) -> dict[str, int]:
        return {"stop_start_ns": START + (second + 2) * S, "stop_end_ns": START + (second + 50) * S}

    return (
        _standstill(240, "stopped", ended_by="driver", **stop(240)),
        _standstill(540, "refused", reasons=(SOC,), verdict="sole"),
        _standstill(840, "refused", reasons=(SOC,), verdict="probable", unknown_conditions=("seat belt",)),
        _standstill(1140, "cut_short", ended_by="system", reasons=(SOC,), verdict="sole", **stop(1140)),
        _standstill(1440, "not_sought", not_sought_because=Text("The vehicle had not yet been faster than 4 km/h.")),
        _standstill(36_540, "refused", verdict="unknown", explained=False, unknown_conditions=("seat belt", "slope")),
        _standstill(39_240, "refused", reasons=(SOC, HOOD), verdict="multiple"),
        _standstill(39_540, "refused", reasons=(HOOD,), verdict="sole"),
    )


def _start(second: float, kind: Any, min_v: float, temperature: float, **more: Any) -> Start:
    return Start(
        start_ns=START + int(second * S),
        end_ns=START + int((second + 0.6) * S),
        kind=kind,
        min_v=min_v,
        peak_a=-512.0,
        crank_s=0.55,
        to_idle_s=0.62,
        resistance_mohm=more.pop("resistance", Figure(5.2, 4.9, 5.6)),
        temperature_c=temperature,
        before_v=12.5,
        **more,
    )


def _estimate() -> BatteryEstimate:
    seconds = np.arange(0, DURATION_S, 10)
    soc = 73.0 + 3 * np.sin(seconds / 6000)
    soc[100:120] = np.nan
    rest = Rest(
        start_ns=START + 3600 * S,
        end_ns=START + 36_400 * S,
        end_v=12.412,
        mean_ma=-62.0,
        soc_from_ocv=Figure(72.0, 66.0, 78.0),
        temperature_c=9.0,
        asleep_ma=-31.0,
        settled="settled",
        wake_ups=(WakeUp(START + 9000 * S, START + 9300 * S, 0.31),),
    )
    return BatteryEstimate(
        time_ns=START + seconds * S,
        soc=soc,
        soc_low=soc - 5,
        soc_high=soc + 5,
        phases=(
            Phase("running", START, START + 3600 * S),
            Phase("parked", START + 3600 * S, START + 36_400 * S),
            Phase("running", START + 36_400 * S, START + DURATION_S * S),
        ),
        starts=(
            _start(299.2, "first", 9.62, 12.0),
            _start(599.2, "restart", 10.1, 14.0),
            _start(899.2, "restart", 10.0, 14.5, resolved=False, resistance=unknown_figure(Text("Too slow a log."))),
        ),
        rests=(rest,),
        drives=(
            Drive(START, START + 3600 * S, 3.1, 1.9, 14.3, 0.99, 21.0),
            Drive(START + 36_400 * S, START + DURATION_S * S, 2.0, 2.6, 14.2, 1.0),
        ),
        soc_start=Figure(73.0, 68.0, 78.0),
        soc_end=Figure(74.0, 69.0, 79.0),
        soc_min=Figure(70.0, 65.0, 75.0),
        capacity_ah=Figure(61.0, 55.0, 67.0),
        soh_percent=Figure(87.1, 78.6, 95.7),
        resistance_mohm=Figure(5.2, 4.9, 5.6),
        current_offset_a=Figure(0.021, 0.008, 0.034),
        quiescent_ma=Figure(-31.0, -36.0, -26.0),
        next_crank_min_v=unknown_figure(Text("Fewer than {needed} cranks at this temperature.", {"needed": 3})),
        charged_ah=5.1,
        discharged_ah=4.5,
        coverage=0.995,
        unknown=(Text("Charge acceptance was not estimated."),),
    )


def _platform() -> Platform:
    return Platform(
        id="example-van",
        title="Example van",
        buses=(),
        bindings={},
        battery=Battery("agm", 70.0, 760.0, "EN"),
        idle_stop=IdleStopRules(
            conditions=(
                Condition("state of charge", "electrical", "battery_soc", at_least=75.0, source="Example"),
                Condition("hood closed", "safety", "hood_open", equals=False),
                Condition("seat belt", "safety", "driver_belt_latched", equals=True),
                Condition("slope", "safety", "slope", at_most=12.0),
            )
        ),
        version="1",
        sha256="ab" * 32,
    )


def _recording() -> Recording:
    source = Source("mon.blf", "cd" * 32, "blf", 123_456, 9000, absolute_time=True, dropped={"truncated": 1})
    return Recording(
        start_ns=START,
        end_ns=START + DURATION_S * S,
        absolute_time=True,
        frames=9000,
        frames_decoded=8800,
        traces=_traces(),
        sources=(source,),
        faults=Faults(
            rejected={"lin_checksum": 3},
            gaps=(Gap("battery_voltage", START + 5000 * S, START + 5100 * S),),
            never_seen=("driver_belt_latched",),
            unknown_identifiers={("can0", 0x123): 40},
        ),
    )


@pytest.fixture(scope="session")
def van() -> Analysis:
    """The van, its battery short of charge."""
    return Analysis(
        vehicle="van-017",
        platform=_platform(),
        recording=_recording(),
        estimate=_estimate(),
        account=Account(
            standstills=_standstills(),
            reason_counts={"state of charge": (3, 1, 174.0), "hood closed": (2, 1, 116.0)},
            cures=(Cure(("state of charge",), 2, 116.0), Cure(("hood closed",), 1, 58.0)),
            smallest_cures=(Cure(("state of charge", "hood closed"), 4, 232.0),),
        ),
        findings=(
            Finding("data_gap", "note", False, (Text("A gap of {s:.0f} s.", {"s": 100.0}),)),
            Finding(
                "undercharge_short_trips",
                "act",
                True,
                (Text("Rest voltage {v:.2f} V.", {"v": 12.412}), Text("More drawn than charged.")),
                (Text("Charging voltage was right."),),
            ),
        ),
        unknown=(Text("Seat belt is not on the bus."),),
    )


@pytest.fixture(scope="session")
def bare(van: Analysis) -> Analysis:
    """The battery sensor alone, no date, nothing estimated, no standstill."""
    none = unknown_figure(Text("Too little data."))
    empty = np.array([], dtype=np.int64)
    nothing = np.array([], dtype=np.float64)
    estimate = dataclasses.replace(
        van.estimate,
        time_ns=empty,
        soc=nothing,
        soc_low=nothing,
        soc_high=nothing,
        phases=(),
        starts=(),
        rests=(),
        drives=(),
        soc_start=none,
        soc_end=none,
        soc_min=none,
        capacity_ah=none,
        soh_percent=none,
        resistance_mohm=none,
        current_offset_a=none,
        quiescent_ma=none,
        charged_ah=math.nan,
        discharged_ah=math.nan,
    )
    wanted = ("battery_voltage", "battery_current")
    recording = dataclasses.replace(
        van.recording, absolute_time=False, traces={role: van.recording.traces[role] for role in wanted}
    )
    return dataclasses.replace(
        van, recording=recording, estimate=estimate, account=Account((), battery_only=True), findings=(), unknown=()
    )
