"""A trip as the driver makes it: speed, pedals and lever ten times a second, laid out before anything is simulated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Value = float | bool | str

TICK_S = 0.1
_ACCELERATION = 1.4  # [m/s2], unhurried town traffic, common practice
_BRAKING = 1.5
_GO_S = 1.2  # clutch down so long before the wheels turn


@dataclass(frozen=True, slots=True)
class Leg:
    """A stretch of road and the standstill at its end.

    cruise_kmh, cruise_s: how fast and how long. stand_s: standstill; the driver wants to go 1.2 s before its end.
    during: role -> value from 3 s before the standstill to its end.
    later: role -> (seconds into the standstill, value from then to its end).
    """

    cruise_kmh: float
    cruise_s: float
    stand_s: float
    during: Mapping[str, Value] = field(default_factory=dict)
    later: Mapping[str, tuple[float, Value]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Trip:
    """Ignition on, first start after 3 s, `warm_s` at idle, the legs; the last leg's standstill ends in ignition off.

    values: role -> value throughout this trip, beside what the vehicle's own say.
    """

    legs: tuple[Leg, ...]
    warm_s: float = 8.0
    values: Mapping[str, Value] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Driving:
    """A trip tick by tick; every column has n rows, one each 0.1 s from ignition on.

    speed [km/h], slowing (braking), brake, clutch, neutral: the driver's doing. accelerator [%].
    key: 1 from the tick the driver turns the starter on. overrides: per tick, role -> value set by the leg.
    """

    speed: FloatArray
    slowing: NDArray[np.bool_]
    brake: NDArray[np.bool_]
    clutch: NDArray[np.bool_]
    neutral: NDArray[np.bool_]
    accelerator: FloatArray
    key_tick: int
    overrides: tuple[tuple[int, int, str, Value], ...]

    def __len__(self) -> int:
        return len(self.speed)


def drive(trip: Trip) -> Driving:
    """Lay a trip out. In a standstill the lever goes to neutral and the clutch up within 0.6 s."""
    key_tick = 30
    speed = [np.zeros(key_tick + round(trip.warm_s / TICK_S))]
    stands: list[tuple[int, int]] = [(0, len(speed[0]))]
    overrides: list[tuple[int, int, str, Value]] = []
    at = len(speed[0])
    for leg in trip.legs:
        moving = _leg_speed(leg)
        first, last = at + len(moving), at + len(moving) + round(leg.stand_s / TICK_S)
        overrides += [(first - 30, last, role, value) for role, value in leg.during.items()]
        overrides += [(first + round(s / TICK_S), last, role, value) for role, (s, value) in leg.later.items()]
        speed += [moving, np.zeros(last - first)]
        stands.append((first, last))
        at = last
    columns = np.concatenate(speed)
    return _with_pedals(columns, stands, key_tick, tuple(overrides))


def _leg_speed(leg: Leg) -> FloatArray:
    up = np.arange(TICK_S, leg.cruise_kmh / 3.6 / _ACCELERATION, TICK_S) * _ACCELERATION * 3.6
    steady = leg.cruise_kmh * (1.0 + 0.04 * np.sin(np.arange(round(leg.cruise_s / TICK_S)) * TICK_S / 7.0))
    down = np.arange(leg.cruise_kmh / 3.6 / _BRAKING, TICK_S, -TICK_S) * _BRAKING * 3.6
    return np.concatenate([up, steady, down])


def _with_pedals(
    speed: FloatArray, stands: list[tuple[int, int]], key_tick: int, overrides: tuple[tuple[int, int, str, Value], ...]
) -> Driving:
    change = np.diff(speed, prepend=0.0)
    slowing = (change < -0.3) & (speed > 0.0)
    brake = slowing.copy()
    clutch = (speed > 0.0) & (speed < 12.0)
    neutral = np.zeros(len(speed), bool)
    go = round(_GO_S / TICK_S)
    for index, (first, last) in enumerate(stands):
        off = last if index == len(stands) - 1 else last - go
        brake[first : min(last - 3, off + go)] = True
        clutch[first : first + 4] = index > 0
        clutch[off:last] = True
        neutral[first + 4 : min(off + 3, last)] = True
    clutch[:key_tick] = neutral[:key_tick] = brake[:key_tick] = True
    accelerator = np.where(change > 0.3, 30.0, np.where((speed > 0.0) & ~slowing, 12.0, 0.0))
    return Driving(speed, slowing, brake, clutch, neutral, accelerator, key_tick, overrides)
