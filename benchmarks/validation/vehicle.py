"""A vehicle that uses a battery: parks, cranks, drives, stops its engine; every step is noted."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from benchmarks.validation.battery import Battery
from benchmarks.validation.truth import ASLEEP, AWAKE, CRANKING, IDLE_STOP, RUNNING
from decoder.frames import FloatArray

REGULATED_V, REGULATED_PER_K = 14.4, -0.018  # charger-setting tables
INRUSH_S = 0.05
AGEING_H = 3.0  # acid follows the air around it within hours


@dataclass(slots=True)
class Vehicle:
    """A battery in use. air: around the battery [degC]. warm: what a running engine adds to that [K]. generator: what
    it can spare for the battery [A]. rows: (time, current, voltage, temperature, discharged [Ah], phase) of each step.
    """

    battery: Battery
    rng: np.random.Generator
    air: float = 20.0
    warm: float = 12.0
    generator: float = 35.0
    quiescent: float = 0.025
    stop_load: float = 28.0
    time_s: float = 0.0
    rows: list[tuple[float, float, float, float, float, int]] = field(default_factory=list)

    def park(self, hours: float) -> None:
        """Park, asleep after five minutes, with a short wake-up about every six hours."""
        self._go(120, 1.0, -6.0, AWAKE)
        self._go(30, 6.0, -0.8, AWAKE)
        left = hours * 3600.0
        while left > 0:
            span = min(left, float(self.rng.uniform(4.0, 8.0)) * 3600.0)
            self._go(int(span // 30.0), 30.0, -self.quiescent, ASLEEP)
            left -= span
            if left > 600:
                self._go(60, 1.0, -2.5, ASLEEP)

    def lights(self, hours: float, amperes: float, until_v: float = -math.inf) -> None:
        """Parked with something left on; switched off where the voltage falls below until_v."""
        for _ in range(int(hours * 360)):
            self._go(1, 10.0, -amperes, AWAKE)
            if self.battery.voltage < until_v:
                break

    def start(self, *, restart: bool = False) -> None:
        """Crank: inrush, then compression strokes about a plateau that is larger in the cold."""
        if not restart:
            self._go(20, 1.0, -14.0, AWAKE)
        cold = 1.0 + 0.012 * max(25.0 - self.battery.temperature, -15.0)
        plateau = (150.0 if restart else 185.0) * cold * float(np.exp(self.rng.normal(0.0, 0.06)))
        length = (0.35 if restart else 0.7 * cold) * float(np.exp(self.rng.normal(0.0, 0.15)))
        turns = float(self.rng.uniform(0.0, 2.0 * np.pi))
        for number in range(int(length / 0.01)):
            age = 0.01 * number
            strokes = 1.0 + 0.18 * np.sin(2.0 * np.pi * 7.0 * age + turns) * (age > 2 * INRUSH_S)
            self._go(1, 0.01, -plateau * float(strokes + 1.6 * np.exp(-age / INRUSH_S)), CRANKING)
        self._go(25, 0.01, -8.0, RUNNING)

    def charge(self, minutes: float) -> None:
        """Drive with the generator at its charging voltage."""
        self._run(minutes * 60.0, self.generator)

    def cruise(self, minutes: float) -> None:
        """Drive with a generator that is idle but for decelerations; about every two minutes an idle-stop."""
        left = minutes * 60.0
        while left > 0:
            for _ in range(int(self.rng.integers(1, 4))):
                self._go(int(self.rng.integers(20, 45)), 1.0, float(self.rng.normal(-5.0, 3.0)), RUNNING)
                seconds = int(self.rng.integers(6, 14))
                self._run(seconds, 1.2 * self.generator, 0.4)
                left -= 33.0 + seconds
            seconds = int(self.rng.integers(10, 40))
            self._go(seconds, 1.0, -self.stop_load * float(self.rng.uniform(0.8, 1.2)), IDLE_STOP)
            self.start(restart=True)
            left -= seconds

    def _run(self, seconds: float, most: float, above: float = 0.0) -> None:
        target = REGULATED_V + above + REGULATED_PER_K * (self.battery.temperature - 25.0)
        self._go(int(seconds), 1.0, most, RUNNING, limit_v=target)

    def _go(self, steps: int, seconds: float, current: float, phase: int, limit_v: float = 15.5) -> None:
        battery = self.battery
        for _ in range(steps):
            warm = self.warm if phase in {RUNNING, IDLE_STOP, CRANKING} else 0.0
            gain = -np.expm1(-seconds / (AGEING_H * 3600.0))
            battery.temperature += (self.air + warm - battery.temperature) * float(gain)
            battery.step(seconds, current, limit_v, least=-15.0 if current > 0 else current)
            self.time_s += seconds
            row = (self.time_s, battery.mean, battery.voltage, battery.temperature, battery.taken_ah, phase)
            self.rows.append(row)

    def columns(self) -> FloatArray:
        """(n, 6) what was noted."""
        return np.array(self.rows, dtype=np.float64)
