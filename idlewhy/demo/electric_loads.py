"""What draws from and feeds the simulated board net: starter, loads, generator with smart charging."""

from __future__ import annotations

import math
from dataclasses import dataclass

_RIPPLE_HZ = 9.0  # a four-cylinder engine cranked at 270 rpm compresses nine times a second
_INRUSH_TAU_S = 0.035


@dataclass(frozen=True, slots=True)
class Starter:
    """A starter motor on its engine. plateau_a: mean draw with a warm engine [A]; warm_s: crank time, warm [s]."""

    plateau_a: float
    warm_s: float

    def crank_seconds(self, coolant: float) -> float:
        """Crank time [s], longer with a cold engine (up to double at -10 degC; common practice)."""
        return self.warm_s * (1.0 + 0.015 * max(0.0, 60.0 - coolant))

    def current(self, seconds: float, coolant: float, inner_v: float, resistance: float) -> float:
        """Battery current [A], negative, `seconds` after engagement.

        The motor is taken as a resistance that would draw `a` at 12.5 V, in series with the battery's inner voltage
        [V] and resistance [Ohm]. a: inrush of 2.4 times the mean that rises within 10 ms and falls with 35 ms, then
        compression ripple of 18 %; a cold engine drags up to twice as much at -20 degC. Source: magnitudes from
        published starter tables (warm diesel from 200 A, cold about double); inrush and ripple: common practice.
        """
        drag = 1.0 + 0.012 * max(0.0, 60.0 - coolant)
        inrush = 1.4 * self.plateau_a * math.exp(-seconds / _INRUSH_TAU_S)
        ripple = 1.0 + 0.18 * math.sin(2.0 * math.pi * _RIPPLE_HZ * seconds)
        a = -math.expm1(-seconds / 0.004) * (self.plateau_a * drag * ripple + inrush)
        return -a * inner_v / (12.5 + a * resistance)


@dataclass(frozen=True, slots=True)
class Loads:
    """Consumers [A]. running, stopped: engine on, and in an idle-stop; awake: ignition off, units not yet asleep.

    asleep: quiescent. wake_every_s, wake_s, wake_a: units that wake by themselves while parked; 0 s for never.
    """

    running: float = 32.0
    stopped: float = 24.0
    awake: float = 4.0
    awake_s: float = 180.0
    asleep: float = 0.022
    wake_every_s: float = 0.0
    wake_s: float = 0.0
    wake_a: float = 0.0

    def parked(self, seconds: float) -> float:
        """Draw [A] so many seconds after the ignition went off."""
        if seconds < self.awake_s:
            return self.awake
        return self.wake_a if self.is_woken(seconds) else self.asleep

    def is_woken(self, seconds: float) -> bool:
        """Whether a unit has woken by itself at that time after ignition off."""
        return self.wake_every_s > 0.0 and seconds > self.awake_s and seconds % self.wake_every_s < self.wake_s


@dataclass(frozen=True, slots=True)
class Generator:
    """A generator. rated_a: at speed [A]. smart: it saves fuel once the battery is full enough, and brakes with it."""

    rated_a: float = 130.0
    smart: bool = True
    full_share: float = 0.86

    def setpoint(self, share: float, celsius: float, braking: bool, idling: bool) -> float:
        """Voltage asked for [V].

        14.4 V at 25 degC and -18 mV/K (charger settings as published); smart: 14.8 V while braking, 12.9 V with the
        battery full enough, and no more than 13.6 V at idle. Source of the smart levels: common practice.
        """
        full = 14.4 - 0.018 * (celsius - 25.0)
        if not self.smart:
            return full
        if braking:
            return full + 0.3
        if share > self.full_share:
            return 12.9
        return min(full, 13.6) if idling else full

    def limit(self, engine_rpm: float) -> float:
        """Largest current [A] at that engine speed: half of rated at idle, all from 1600 rpm."""
        return self.rated_a * min(1.0, 0.5 + 0.5 * max(0.0, engine_rpm - 800.0) / 800.0)


def split_current(set_v: float, inner_v: float, resistance: float, load: float, limit: float) -> tuple[float, float]:
    """Battery current (positive charges) and generator current [A] with the generator at `set_v`.

    The battery takes (set_v - inner_v) / resistance; the generator gives between 0 and its limit, the battery the rest.
    """
    generator = min(max((set_v - inner_v) / resistance + load, 0.0), limit)
    return generator - load, generator
