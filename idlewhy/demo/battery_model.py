"""A 12 V lead-acid battery for the demo's simulator: charge, voltage, heat. Shares nothing with the estimator."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from signal_defs.platform import BatteryType

# Rested voltage over charge at 25 degC, (share of charge, V). Flooded: the voltage table commonly printed in battery
# care leaflets; EFB: the same, denser acid, 0.07 V higher (from memory); AGM: a published charge table, 12.90 V new.
_RESTED_V: dict[BatteryType, tuple[tuple[float, float], ...]] = {
    "flooded": ((0.0, 11.89), (0.25, 12.06), (0.5, 12.24), (0.75, 12.45), (1.0, 12.65)),
    "efb": ((0.0, 11.95), (0.25, 12.13), (0.5, 12.31), (0.75, 12.52), (1.0, 12.73)),
    "agm": ((0.0, 11.75), (0.25, 12.05), (0.5, 12.35), (0.75, 12.62), (1.0, 12.90)),
}
_RESTED_V_PER_K = 0.0012  # six cells of 0.2 mV/K each, from memory
_RESISTANCE_PER_K = 0.0125  # resistance about doubles from 25 to -30 degC, from memory
POLARISATION = 0.4  # resistance of charge transfer over the ohmic one; plateau over inrush is 1.2 to 2, from memory
_FAST_TAU_S = 0.06  # charge transfer
_SLOW_TAU_S = 40.0  # diffusion in the plates
_SLOW_GONE_TAU_S = 5.0  # what charging has built up collapses as soon as a load draws
_SURFACE_BUILD_S = 500.0
_SURFACE_DECAY_S = 3600.0  # surface charge is gone after some hours of rest (battery care leaflets: 6 h and more)
_SURFACE_DECAY_AS = 2400.0  # or after about 20 A for a few minutes (the same leaflets)
_SURFACE_SHARE = 0.25
_THERMAL_TAU_S = 4 * 3600.0


@dataclass(frozen=True, slots=True)
class BatteryMake:
    """What a battery is and how far it has aged.

    nominal_ah: rated, C/20 at 25 degC. capacity_ah: what it holds now. resistance_ohm: ohmic, full, at 25 degC.
    acceptance: charging current it takes, relative to a new one. rested_v: data sheet's curve (share, V), if known.
    """

    type: BatteryType
    nominal_ah: float
    capacity_ah: float
    resistance_ohm: float
    acceptance: float = 1.0
    rested_v: tuple[tuple[float, float], ...] = ()


def rested_voltage(make: BatteryMake, share: float, celsius: float) -> float:
    """Open-circuit voltage [V], linear between the points of the curve and beyond its ends.

    share: charge left, 0 to 1. Source of the curves: see the table above.
    """
    curve = make.rested_v or _RESTED_V[make.type]
    for (s0, v0), (s1, v1) in pairwise(curve):
        if share <= s1 or s1 == curve[-1][0]:
            return v0 + (v1 - v0) * (share - s0) / (s1 - s0) + _RESTED_V_PER_K * (celsius - 25.0)
    raise AssertionError(curve)


def ohmic_resistance(make: BatteryMake, share: float, celsius: float) -> float:
    """Ohmic resistance [Ohm]: exponential in temperature, rising by up to 60 % as the lower half of charge is used.

    Source: magnitudes from memory (x 1.7 at -18 degC; 30 to 100 % more when discharged below a half).
    """
    emptied = max(0.0, 0.5 - share) / 0.5
    return make.resistance_ohm * math.exp(_RESISTANCE_PER_K * (25.0 - celsius)) * (1.0 + 0.6 * emptied * emptied)


def charge_efficiency(share: float) -> float:
    """Share of the charging current that is stored: all of it up to 85 %, a half at full (rest: gassing).

    Source: public energy-storage texts: over 95 % below 80 % of charge, collapsing near full; the shape is ours.
    """
    near = min(max(share - 0.85, 0.0) / 0.15, 1.0)
    return 1.0 - 0.5 * near * near


@dataclass(slots=True)
class Battery:
    """A battery's state. share: charge left over capacity, 0 to 1. fast_v, slow_v: the two RC pairs; surface_v [V].

    Equations, I positive when charging:
      U = OCV(share, T) + surface + fast + slow + R0 I
      d fast/dt = (R1 I - fast)/tau1;  d slow/dt = (R2 I - slow)/tau2, with R2 larger on charge (acceptance) and
        tau2 shorter while a load takes away what charging has built up
      d surface/dt = (k slow - surface)/tau_build on charge, else -surface (1/tau_rest + |I|/Q)
      d share/dt = eta(share) I / C on charge, I / C on discharge
    Steps are exact for constant I in the two RC pairs. Source: two-RC equivalent circuit, common practice.
    """

    make: BatteryMake
    share: float
    celsius: float
    fast_v: float = 0.0
    slow_v: float = 0.0
    surface_v: float = 0.0

    def inner_voltage(self) -> float:
        """Voltage behind the ohmic resistance [V]."""
        return rested_voltage(self.make, self.share, self.celsius) + self.surface_v + self.fast_v + self.slow_v

    def resistance(self) -> float:
        """Ohmic resistance now [Ohm]."""
        return ohmic_resistance(self.make, self.share, self.celsius)

    def voltage(self, current: float) -> float:
        """Terminal voltage [V] under a current [A]."""
        return self.inner_voltage() + self.resistance() * current

    def _slow_resistance(self, current: float) -> float:
        if current <= 0.0:
            return 0.6 * self.resistance()
        room = max(1.0 - self.share, 0.0)
        warmth = math.exp(0.03 * (min(self.celsius, 35.0) - 25.0))
        a_per_ah = (
            (0.75 * math.pow(room, 0.75) + 0.004) * warmth * self.make.acceptance
        )  # taken at about 1.5 V above rest
        return 1.5 / (a_per_ah * self.make.nominal_ah)

    def step(self, current: float, seconds: float, ambient: float) -> None:
        """Carry the state forward by `seconds` under a constant current [A] and air temperature [degC]."""
        fast_r = POLARISATION * self.resistance()
        self.fast_v += (fast_r * current - self.fast_v) * -math.expm1(-seconds / _FAST_TAU_S)
        slow_tau = _SLOW_GONE_TAU_S if current < 0.0 < self.slow_v else _SLOW_TAU_S
        self.slow_v += (self._slow_resistance(current) * current - self.slow_v) * -math.expm1(-seconds / slow_tau)
        if current > 0.0:
            target = _SURFACE_SHARE * max(self.slow_v, 0.0)
            self.surface_v += (target - self.surface_v) * -math.expm1(-seconds / _SURFACE_BUILD_S)
            self.share += charge_efficiency(self.share) * current * seconds / 3600.0 / self.make.capacity_ah
        else:
            self.surface_v *= math.exp(-seconds * (1.0 / _SURFACE_DECAY_S - current / _SURFACE_DECAY_AS))
            self.share += current * seconds / 3600.0 / self.make.capacity_ah
        self.share = min(self.share, 1.0)
        self.celsius += (ambient - self.celsius) * -math.expm1(-seconds / _THERMAL_TAU_S)
