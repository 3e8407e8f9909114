"""Recordings that a simulated vehicle leaves, without files, and what spoils them."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from decoder.frames import FloatArray
from decoder.recording import Recording, Trace
from estimator.battery import estimate_battery
from estimator.estimate import BatteryEstimate
from idle_stop.account import Account
from idle_stop.attribution import account_for
from idle_stop.findings import Finding, find_findings
from idlewhy.demo.battery_model import BatteryMake
from idlewhy.demo.electric_loads import Generator, Loads, Starter
from idlewhy.demo.simulate import Park, Simulation, Vehicle
from idlewhy.demo.straight import record_samples, recording_of
from idlewhy.demo.trip import Leg, Trip, Value
from signal_defs.load import load_platform
from signal_defs.platform import Platform

AGM = BatteryMake("agm", nominal_ah=70.0, capacity_ah=67.0, resistance_ohm=0.0033)
DIESEL = Starter(plateau_a=280.0, warm_s=0.36)
START_NS = 1_741_640_400 * 1_000_000_000  # 2025-03-10T21:00:00Z


@dataclass(frozen=True)
class Scenario:
    """A vehicle and what it does; the default is in order: a night, and 14 minutes of driving with seven stops."""

    make: BatteryMake = AGM
    share: float = 0.88
    air: float = 12.0
    night_h: float = 6.5
    stops: int = 7
    stand_s: float = 18.0
    loads: Loads = field(default_factory=Loads)
    starter: Starter = DIESEL
    generator: Generator = field(default_factory=Generator)
    soc_shown: float | None = None
    soc_bias: float = 0.5
    believed_resistance: float | None = None
    values: Mapping[str, Value] | None = None
    during: Mapping[str, Value] | None = None
    later: Mapping[str, tuple[float, Value]] | None = None
    plan: tuple[Park | Trip, ...] = ()
    platform: str = "example-van"

    def legs(self, stops: int) -> tuple[Leg, ...]:
        stand = Leg(40.0, 80.0, self.stand_s, during=self.during or {}, later=self.later or {})
        return (
            *(replace(stand, cruise_kmh=34.0 + 4.0 * (i % 4), cruise_s=66.0 + 9.0 * (i % 3)) for i in range(stops)),
        )

    def trip(self, stops: int = 0, warm_s: float = 8.0) -> Trip:
        return Trip((*self.legs(stops or self.stops), Leg(24.0, 25.0, 1.2)), warm_s=warm_s)


@dataclass(frozen=True)
class Judged:
    recording: Recording
    estimate: BatteryEstimate
    account: Account
    findings: Mapping[str, Finding]
    platform: Platform

    def has(self, code: str, weight: str, *, possible: bool) -> bool:
        found = self.findings.get(code)
        return found is not None and (found.weight, found.possible) == (weight, possible)

    @property
    def urgent(self) -> set[str]:
        return {code for code, one in self.findings.items() if one.weight == "act"}


@functools.lru_cache
def platform_of(name: str) -> Platform:
    return load_platform(name)


_KEPT: dict[str, Recording] = {}


def recorded(scenario: Scenario) -> Recording:
    """The scenario's recording; one of like kind is simulated once."""
    key = repr(scenario)
    if key not in _KEPT:
        platform = platform_of(scenario.platform)
        vehicle = Vehicle(
            make=scenario.make,
            share=scenario.share,
            celsius=scenario.air + 1.0,
            rules=platform.idle_stop,
            starter=scenario.starter,
            loads=scenario.loads,
            generator=scenario.generator,
            soc_bias=scenario.soc_bias,
            soc_shown=scenario.soc_shown,
            believed_resistance=scenario.believed_resistance,
            values=scenario.values or {},
        )
        simulation = Simulation(vehicle, START_NS, frozenset(platform.bindings), ambient=scenario.air)
        plan = scenario.plan or (Park(scenario.night_h, scenario.air), scenario.trip())
        samples = simulation.live(plan)
        _KEPT[key] = record_samples(platform, samples, np.random.default_rng(len(_KEPT) + 1))
    return _KEPT[key]


def judged(recording: Recording, platform: str = "example-van") -> Judged:
    known = platform_of(platform)
    estimate = estimate_battery(recording, known.battery, rules=known.idle_stop)
    account = account_for(recording, estimate, known.idle_stop)
    findings = find_findings(recording, estimate, account, known)
    return Judged(recording, estimate, account, {one.code: one for one in findings}, known)


def changed(recording: Recording, changes: Mapping[str, Callable[[Trace], FloatArray]]) -> Recording:
    """A recording with some roles' values replaced, and with the faults that it then shows."""
    traces = dict(recording.traces)
    for role, change in changes.items():
        value = change(traces[role])
        traces[role] = replace(traces[role], value=value, valid=traces[role].valid & np.isfinite(value))
    return recording_of(traces.values())


def without(recording: Recording, *roles: str) -> Recording:
    return recording_of(trace for role, trace in recording.traces.items() if role not in roles)


def cut(trace: Trace, keep: np.ndarray) -> Trace:
    return replace(trace, time_ns=trace.time_ns[keep], value=trace.value[keep], valid=trace.valid[keep])


def of(scenario: Scenario) -> Judged:
    return judged(recorded(scenario), scenario.platform)


@dataclass(frozen=True)
class Tools:
    """What the tests of findings use; a fixture, since test modules import nothing from each other."""

    Scenario = Scenario
    of = staticmethod(of)
    recorded = staticmethod(recorded)
    judged = staticmethod(judged)
    changed = staticmethod(changed)
    without = staticmethod(without)
    cut = staticmethod(cut)
    recording_of = staticmethod(recording_of)
    platform = staticmethod(platform_of)


@pytest.fixture(scope="session")
def make() -> Tools:
    return Tools()
