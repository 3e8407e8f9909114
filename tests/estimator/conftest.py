"""A battery whose truth is known: open-circuit curve, resistance, relaxing voltages, gassing, and a sensor's errors.

It shares no code with the estimator; `validation` has a porous-electrode model for what this one cannot show.
"""

from __future__ import annotations

import math
from bisect import bisect
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from decoder.frames import FloatArray
from decoder.recording import Recording, Trace
from signal_defs.platform import Battery

START_NS = 1_700_000_000_000_000_000
OWN_AGM = ((0.0, 11.75), (25.0, 12.05), (50.0, 12.35), (75.0, 12.62), (100.0, 12.90))
OWN_FLOODED = ((0.0, 11.89), (25.0, 12.06), (50.0, 12.24), (75.0, 12.45), (100.0, 12.65))


@dataclass(frozen=True, slots=True)
class TrueBattery:
    """capacity [Ah], resistance at 25 degC and full [Ohm], relaxing pairs (Ohm, s), gassing as a factor of 0.09 A."""

    curve: tuple[tuple[float, float], ...] = OWN_AGM
    capacity: float = 70.0
    resistance: float = 0.0045
    relaxing: tuple[tuple[float, float], ...] = ((0.003, 60.0), (0.004, 1200.0), (0.003, 7200.0))
    slow_v: tuple[float, float] = (0.0, 0.0)  # voltage after charge, after discharge, dying with 4 h
    gassing: float = 1.0


@dataclass(frozen=True, slots=True)
class Sensor:
    """Errors put on the sensor: offset [A], gain, voltage [V], noise and quantisation."""

    offset: float = 0.0
    gain: float = 1.0
    voltage: float = 0.0
    noise_a: float = 0.03
    noise_v: float = 0.002
    step_a: float = 0.01
    step_v: float = 0.001


@dataclass(frozen=True, slots=True)
class Leg:
    """One stretch: park, drive (generator holds `volts`), stop (idle-stop), or crank (0.8 s, no length of its own)."""

    kind: str
    seconds: float = 0.0
    amps: float = 0.0  # drawn by the board where the generator is off (negative)
    volts: float = 14.4
    generator_a: float = 70.0
    celsius: float | None = None  # from here on; None: as before


@dataclass(slots=True)
class Truth:
    """Samples of the truth; current positive when charging."""

    time_s: list[float] = field(default_factory=list)
    current: list[float] = field(default_factory=list)
    voltage: list[float] = field(default_factory=list)
    soc: list[float] = field(default_factory=list)
    rpm: list[float] = field(default_factory=list)
    celsius: list[float] = field(default_factory=list)
    cranks: list[tuple[float, float]] = field(default_factory=list)  # start [s], true lowest voltage


def simulate(battery: TrueBattery, legs: list[Leg], soc: float, temperature: float = 25.0) -> Truth:
    """Run the legs; samples every second awake, every ten seconds parked, every ten milliseconds cranking."""
    xs, ys = zip(*battery.curve, strict=True)
    truth, clock = Truth(), 0.0
    pairs = [0.0] * len(battery.relaxing)
    slow = 0.0
    factor = math.exp(0.011 * (25.0 - temperature))

    def ocv() -> float:
        at = min(max(bisect(xs, soc), 1), len(xs) - 1)
        slope = (ys[at] - ys[at - 1]) / (xs[at] - xs[at - 1])
        return float(ys[at - 1] + slope * (soc - xs[at - 1]) + 1.2e-3 * (temperature - 25.0))

    def step(amps: float, seconds: float, rpm: float, hold: float = 0.0) -> None:
        nonlocal soc, clock, slow
        for number, (ohm, tau) in enumerate(battery.relaxing):
            decay = math.exp(-seconds / tau)
            pairs[number] = pairs[number] * decay + amps * ohm * factor * (1.0 - decay)
        target = battery.slow_v[0] if amps > 1.0 else battery.slow_v[1] if amps < -1.0 else 0.0
        slow += (target - slow) * (1.0 - math.exp(-seconds / (1800.0 if target else 4.0 * 3600.0)))
        volts = ocv() + amps * battery.resistance * factor + sum(pairs) + slow + amps * hold
        gas = 0.0
        if volts > 13.0:
            gas = battery.gassing * 0.0014 * battery.capacity / 0.7 * math.exp(11.0 * (volts / 6.0 - 2.4)) * 0.9
            gas = min(gas, max(amps, 0.0))
        soc += 100.0 * (amps - gas) * seconds / 3600.0 / battery.capacity
        clock += seconds
        truth.time_s.append(clock)
        truth.current.append(amps)
        truth.voltage.append(volts)
        truth.soc.append(soc)
        truth.rpm.append(rpm)
        truth.celsius.append(temperature)

    for leg in legs:
        if leg.celsius is not None:
            temperature = leg.celsius
            factor = math.exp(0.011 * (25.0 - temperature))
        if leg.kind == "crank":
            began, low = clock, 99.0
            for tick in range(80):
                amps = -600.0 * math.exp(-tick / 4.0) - (170.0 + 25.0 * math.sin(tick / 4.0)) * (
                    1.0 + 0.01 * (25.0 - temperature)
                )
                step(amps, 0.01, 200.0 if tick > 5 else 0.0)
                low = min(low, truth.voltage[-1])
            truth.cranks.append((began, low))
        elif leg.kind == "drive":
            for second in range(int(leg.seconds)):
                hold = 0.8 * factor / max(100.02 - soc, 0.02)
                amps = (leg.volts - ocv() - sum(pairs) - slow) / (battery.resistance * factor + hold)
                amps = min(amps, leg.generator_a)
                # hold is the charge transfer at the plates: it grows near full and is gone once the current stops
                step(amps, 1.0, 800.0 + 1000.0 * (second % 60 > 20), hold)
        else:
            pace = 1.0 if leg.kind == "stop" else 10.0
            step(leg.amps, min(1.0, leg.seconds), 0.0)  # the logger sees the current change at once
            for _ in range(int((leg.seconds - 1.0) / pace)):
                step(leg.amps, pace, 0.0)
    return truth


def record_truth(truth: Truth, sensor: Sensor, seed: int = 0, engine: bool = True) -> Recording:
    """What a logger would have of it."""
    random = np.random.default_rng(seed)
    time_s = np.array(truth.time_s)
    count = len(time_s)
    amps = np.array(truth.current) * sensor.gain + sensor.offset + sensor.noise_a * random.standard_normal(count)
    volts = np.array(truth.voltage) + sensor.voltage + sensor.noise_v * random.standard_normal(count)
    columns = {
        "battery_current": np.round(amps / sensor.step_a) * sensor.step_a,
        "battery_voltage": np.round(volts / sensor.step_v) * sensor.step_v,
        "battery_temperature": np.array(truth.celsius),
    }
    if engine:
        columns["engine_speed"] = np.array(truth.rpm)
    return make_recording(time_s, columns)


def make_recording(time_s: FloatArray, columns: dict[str, FloatArray]) -> Recording:
    """A recording of these columns, all sampled at the same instants."""
    time_ns = START_NS + np.round(np.asarray(time_s) * 1e9).astype(np.int64)
    traces = {
        role: Trace(role, f"bus/Message.{role}", "", time_ns, np.asarray(value, dtype=float), np.isfinite(value))
        for role, value in columns.items()
    }
    first, last = (int(time_ns[0]), int(time_ns[-1])) if len(time_ns) else (0, 0)
    return Recording(first, last, absolute_time=True, frames=len(time_ns), frames_decoded=len(time_ns), traces=traces)


def a_week(seed: int, days: int = 7, park_a: float = -0.03, minutes: tuple[int, int] = (12, 40)) -> list[Leg]:
    """Two drives a day with idle-stops, nights parked."""
    random = np.random.default_rng(seed)
    legs: list[Leg] = [Leg("park", 1800.0, -0.03)]
    for _ in range(days):
        for park_h in (8.5, 14.0):
            legs += [Leg("park", 10.0, -8.0), Leg("crank")]
            left = float(random.integers(*minutes)) * 60.0
            while left > 0:
                part = float(random.integers(120, 420))
                legs += [Leg("drive", part, volts=float(random.choice([14.4, 14.1, 13.2, 12.9])))]
                legs += [Leg("stop", float(random.integers(15, 60)), -35.0), Leg("crank")]
                left -= part
            legs += [Leg("drive", 60.0), Leg("park", 240.0, -6.0), Leg("park", park_h * 3600.0, park_a)]
    return legs


def agm_battery(own: bool = True) -> Battery:
    return Battery("agm", 70.0, 760.0, "EN", OWN_AGM if own else ())


@dataclass(frozen=True, slots=True)
class Planted:
    """What tests use to plant truths."""

    TrueBattery: type[TrueBattery] = TrueBattery
    Sensor: type[Sensor] = Sensor
    Leg: type[Leg] = Leg
    simulate: Callable[..., Truth] = simulate
    record: Callable[..., Recording] = record_truth
    recording: Callable[..., Recording] = make_recording
    week: Callable[..., list[Any]] = a_week
    agm: Callable[..., Battery] = agm_battery
    flooded_curve: tuple[tuple[float, float], ...] = OWN_FLOODED
    start_ns: int = START_NS


@pytest.fixture(scope="session")
def planted() -> Planted:
    return Planted()
