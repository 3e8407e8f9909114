"""Vehicles in order, drawn at random: season, battery, age, charge, trips, sensor errors within their specification."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from decoder.recording import Recording, Trace
from idlewhy.demo.battery_model import BatteryMake
from idlewhy.demo.electric_loads import Generator, Loads, Starter
from idlewhy.demo.emit import carried_roles
from idlewhy.demo.simulate import Park, Simulation, Vehicle
from idlewhy.demo.straight import record_samples, recording_of
from idlewhy.demo.trip import Leg, Trip, Value
from idlewhy.demo.truth import TrueStandstill
from signal_defs.load import load_platform
from signal_defs.platform import Battery, BatteryType, Group, Platform

_START_NS = 1_736_000_000 * 1_000_000_000
_RATED: dict[BatteryType, tuple[float, float, float]] = {  # Ah, A (EN), ohmic when new [Ohm]
    "agm": (70.0, 760.0, 0.0028),
    "efb": (70.0, 700.0, 0.0031),
    "flooded": (72.0, 640.0, 0.0033),
}
_WORDS: dict[str, frozenset[Group]] = {
    "idle_stop_inhibit_battery": frozenset({"electrical"}),
    "idle_stop_inhibit_engine": frozenset({"engine", "fault"}),
    "idle_stop_inhibit_comfort": frozenset({"comfort"}),
    "idle_stop_inhibit_safety": frozenset({"safety"}),
}


@dataclass(frozen=True, slots=True)
class Healthy:
    """A vehicle in order: what was drawn, in words; its platform, and what its logger would have recorded."""

    about: str
    platform: Platform
    recording: Recording


def healthy(seed: int) -> Healthy:
    """A vehicle in order. The same seed gives the same recording.

    Air -15 to 35 degC; charge 80 to 100 %; capacity 85 to 100 % of the rated; ohmic resistance up to 25 % above new.
    Sensor: voltage within 15 mV, current within 1 % and 20 mA, temperature within 2 K, charge within 4 points (car
    battery sensors as sold, from memory). One vehicle in two tells by bits what inhibits idle-stop; one in four logs
    the sensor's line alone.
    """
    rng = np.random.default_rng((2077, seed))
    alone, told = rng.random() < 0.25, rng.random() < 0.5
    platform = load_platform("example-hatch" if alone else "example-van")
    kind: BatteryType = "efb" if alone else ("agm", "efb", "flooded")[rng.integers(3)]
    if not alone:
        ah, cranking, _ = _RATED[kind]
        platform = replace(platform, battery=Battery(kind, ah, cranking, "EN"))
    air = float(rng.uniform(-15.0, 35.0))
    vehicle = _vehicle(rng, platform, kind, alone=alone, air=air)
    simulation = Simulation(vehicle, _START_NS, carried_roles(platform, frozenset()), ambient=air)
    plan, mix = _plan(rng, air)
    recording = record_samples(platform, simulation.live(plan), rng)
    recording = _with_sensor_errors(rng, recording, near_limit=-5.0 < air < 8.0)
    if told and not alone:
        recording = _with_bits(recording, platform, simulation.standstills)
    about = f"{seed}: {platform.id}, {kind}, {air:.0f} degC, {100 * vehicle.share:.0f} %, {mix}"
    return Healthy(about + (", bits" if told and not alone else ""), platform, recording)


def _vehicle(rng: np.random.Generator, platform: Platform, kind: BatteryType, *, alone: bool, air: float) -> Vehicle:
    nominal = platform.battery.capacity_nominal
    new_ohm = 0.0040 if alone else _RATED[kind][2]
    make = BatteryMake(
        kind,
        nominal_ah=nominal,
        capacity_ah=nominal * float(rng.uniform(0.85, 1.0)),
        resistance_ohm=new_ohm * float(rng.uniform(1.0, 1.25)),
        acceptance=float(rng.uniform(0.6, 1.0)),
    )
    asleep = float(rng.uniform(0.008, 0.030))
    running = float(rng.uniform(18.0, 45.0))
    return Vehicle(
        make=make,
        share=float(rng.uniform(0.80, 0.99)),
        celsius=air + float(rng.uniform(0.0, 3.0)),
        rules=platform.idle_stop,
        starter=Starter(170.0, 0.32) if alone else Starter(float(rng.uniform(200.0, 290.0)), 0.36),
        loads=Loads(running, min(running, float(rng.uniform(14.0, 40.0))), asleep=asleep, awake_s=rng.uniform(60, 900)),
        generator=Generator(smart=bool(rng.random() < 0.6)),
        soc_bias=float(rng.uniform(-4.0, 4.0)),
        values={"battery_soh": float(rng.uniform(85.0, 100.0))},
    )


def _plan(rng: np.random.Generator, air: float) -> tuple[tuple[Park | Trip, ...], str]:
    night = Park(float(rng.uniform(6.1, 9.0)), air)
    mix = ("town", "hops", "road", "two days")[rng.integers(4)]
    if mix == "town":
        return (night, _trip(rng, int(rng.integers(7, 13)))), mix
    if mix == "hops":
        hops = [part for _ in range(3) for part in (_trip(rng, 3), Park(float(rng.uniform(0.3, 1.2)), air))]
        return (night, *hops), mix
    if mix == "road":
        road = Trip((Leg(90.0, 900.0, 20.0), *_trip(rng, 4).legs))
        return (night, road), mix
    return (night, _trip(rng, 6), Park(float(rng.uniform(6.0, 9.0)), air), _trip(rng, 6)), mix


def _trip(rng: np.random.Generator, stops: int) -> Trip:
    legs = [
        Leg(float(rng.uniform(28.0, 55.0)), float(rng.uniform(50.0, 110.0)), float(rng.uniform(5.0, 45.0)), _event(rng))
        for _ in range(stops)
    ]
    return Trip((*legs, Leg(24.0, 25.0, 1.2)), warm_s=float(rng.uniform(4.0, 40.0)))


def _event(rng: np.random.Generator) -> dict[str, Value]:
    """What an everyday standstill may bring: now and then one condition is not met."""
    happens: tuple[dict[str, Value], ...] = (
        {"steering_angle": 240.0},
        {"defrost_on": True},
        {"driver_door_open": True},
        {"slope": 14.0},
        {"blower_level": 90.0},
    )
    return happens[rng.integers(len(happens))] if rng.random() < 0.1 else {}


def _with_sensor_errors(rng: np.random.Generator, recording: Recording, *, near_limit: bool) -> Recording:
    """Constant errors of the battery sensor, within what such sensors are sold for.

    near_limit: the vehicle decides by the temperature it was simulated with; near a limit the sensor says the same.
    """
    volts, amps = float(rng.uniform(-0.015, 0.015)), float(rng.uniform(-0.020, 0.020))
    gain, kelvin = float(rng.uniform(0.99, 1.01)), float(rng.uniform(-2.0, 2.0))
    warmth = 0.0 if near_limit else kelvin
    changes = {"battery_voltage": (1.0, volts), "battery_current": (gain, amps), "battery_temperature": (1.0, warmth)}
    traces = dict(recording.traces)
    for role, (factor, shift) in changes.items():
        traces[role] = replace(traces[role], value=factor * traces[role].value + shift)
    return recording_of(traces.values())


def _with_bits(recording: Recording, platform: Platform, standstills: list[TrueStandstill]) -> Recording:
    """The vehicle's own word: a bit for each group of conditions that refused, from the decision to the end."""
    groups = {condition.name: condition.group for condition in platform.idle_stop.conditions}
    like = recording.traces["idle_stop_active"]
    traces = dict(recording.traces)
    refused = [one for one in standstills if one.outcome == "refused"]
    told = {
        role: [one for one in refused if covered & {groups[name] for name in one.reasons}]
        for role, covered in _WORDS.items()
    }
    for role, during in (told | {"idle_stop_inhibited": refused}).items():
        value = np.zeros(len(like))
        for one in during:
            value[(like.time_ns >= one.decision_ns - 300_000_000) & (like.time_ns <= one.end_ns)] = 1.0
        traces[role] = Trace(role, like.source, "bool", like.time_ns, value, np.ones(len(value), np.bool_))
    return recording_of(traces.values())
