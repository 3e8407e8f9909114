"""What the simulation leaves behind: one row a step, a column for every role, and the bus's mode."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from decoder.frames import FloatArray, Int64Array
from idlewhy.demo.trip import Value

GEARS = ("Neutral", "First", "Second", "Third", "Fourth", "Fifth", "Sixth", "Reverse")


class Mode(IntEnum):
    """How busy the buses are: asleep (the sensor alone, twice a second), woken by a unit, up after ignition off,
    running, or fast (the sensor read as often as its schedule allows, while a start may come).
    """

    ASLEEP = 0
    WOKEN = 1
    AWAKE = 2
    RUNNING = 3
    FAST = 4


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Rows of a simulation; a row holds until the next.

    time_ns: (n,) rising. mode: (n,) of `Mode`. share: (n,) charge left, 0 to 1. columns: role -> (n,) value in the
    role's unit; flags 0 and 1; "gear" an index into GEARS.
    """

    time_ns: Int64Array
    mode: NDArray[np.uint8]
    share: FloatArray
    columns: Mapping[str, FloatArray]


class Recorder:
    """Gathers rows: roles that move get a value a row, all others only when they change."""

    def __init__(self, moving: tuple[str, ...]) -> None:
        self._moving = moving
        self._rows: list[tuple[float, ...]] = []
        self._time: list[int] = []
        self._mode: list[int] = []
        self._share: list[float] = []
        self._changes: dict[str, list[tuple[int, float]]] = {}

    def set(self, role: str, value: Value) -> None:
        """From the next row on, the role has this value."""
        self._changes.setdefault(role, []).append((len(self._rows), _number(value)))

    def row(self, time_ns: int, mode: Mode, share: float, values: Mapping[str, Value]) -> None:
        """Add a row."""
        self._time.append(time_ns)
        self._mode.append(mode)
        self._share.append(share)
        self._rows.append(tuple(_number(values[role]) for role in self._moving))

    def samples(self, end_ns: int) -> Samples:
        """All rows as columns; end_ns: until when the last row holds, where it is repeated."""
        self._rows.append(self._rows[-1])
        self._mode.append(self._mode[-1])
        self._share.append(self._share[-1])
        self._time.append(end_ns)
        table = np.array(self._rows)
        columns = {role: np.ascontiguousarray(table[:, at]) for at, role in enumerate(self._moving)}
        for role, changes in self._changes.items():
            if role not in columns:
                starts = np.array([start for start, _ in changes])
                at = np.searchsorted(starts, np.arange(len(table)), side="right") - 1
                columns[role] = np.array([value for _, value in changes])[at]
        return Samples(np.array(self._time), np.array(self._mode, np.uint8), np.array(self._share), columns)


def _number(value: Value) -> float:
    return float(GEARS.index(value)) if isinstance(value, str) else float(value)
