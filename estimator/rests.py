"""Rests: stretches with the engine off, and the voltage in them that tells of charge."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from estimator.anchors import rest_anchor, soc_of
from estimator.estimate import Rest
from estimator.grid import SECOND_NS, Grid
from estimator.ocv import OcvCurve
from estimator.phases import AWAKE, PARKED, UNKNOWN
from estimator.quiescent import Draw, measure_draw
from estimator.relaxation import RestVoltage

QUIET_A = 1.5
LOADED_A = 30.0  # with more than this drawn, voltage tells nothing of rest
SLOW_RESISTANCE_OHM_AH = 0.5  # resistance to a small lasting load, times rated capacity; 7 mOhm at 70 Ah. From memory
AFTER_LOAD_S = 120.0
LISTED_S = 1800.0  # engine-off stretches from half an hour on are listed
SETTLED_S = 4 * 3600.0
SETTLED_V = 0.012  # left to relax, deviation included; 1 to 1.5 points of charge. Ours
WINDOW_EDGES_S = np.concatenate(
    ([0.0], 30.0 * 1.5 ** np.arange(17), np.arange(6, 49, 3) * 3600.0, np.arange(54, 24 * 400, 6) * 3600.0)
)
"""[s] widening by half up to five and a half hours, then three, then six hours wide."""


def find_rests(grid: Grid, kind: Int64Array, capacity_nominal: float) -> tuple[RestVoltage, ...]:
    """Every engine-off stretch (no idle-stop) with usable voltage, short ones too; silence of the log may lie inside.

    kind: (n,) phase of each row. capacity_nominal: [Ah]. Rows with more than 1.5 A, and two minutes after such
    rows, are left out where the stretch has quieter ones; a load up to 30 A is taken off by a
    typical resistance, and its uncertainty kept.
    """
    off = ((kind == PARKED) | (kind == AWAKE) | (kind == UNKNOWN)) & ~np.isnan(grid.voltage)
    edges = np.flatnonzero(np.diff(off.astype(np.int8), prepend=0, append=0))
    resistance = SLOW_RESISTANCE_OHM_AH / capacity_nominal
    rests = [
        _rest_voltage(grid, kind, int(start), int(end), resistance)
        for start, end in zip(edges[::2], edges[1::2], strict=True)
    ]
    return tuple(rest for rest in rests if rest is not None)


def _rest_voltage(grid: Grid, kind: Int64Array, start: int, end: int, resistance: float) -> RestVoltage | None:
    current = np.nan_to_num(grid.current[start:end])
    rows = np.flatnonzero(_usable(grid.time_ns[start:end], current)) + start
    if not len(rows):
        return None
    start_ns = int(grid.time_ns[start])
    age = (grid.time_ns[rows] - start_ns) / 1e9 + 0.5
    window = np.searchsorted(WINDOW_EDGES_S, age, side="right")
    first = np.unique(window, return_index=True)[1]
    count = np.diff(first, append=len(rows))
    temperature = grid.known_temperature()[rows]

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(values, first) / count)

    load = mean(np.nan_to_num(grid.current[rows]))
    unknown_k = 0.0 if np.isfinite(grid.temperature[rows]).all() else 10.0
    return RestVoltage(
        start_ns=start_ns,
        end_ns=int(grid.time_ns[end - 1]) + SECOND_NS,
        age_s=mean(age),
        time_s=(start_ns - int(grid.time_ns[0])) / 1e9 + mean(age),
        voltage=mean(grid.voltage[rows]) - resistance * load,
        load_sd=np.hypot(0.6 * resistance * np.abs(load), 1.2e-3 * unknown_k),
        temperature=mean(temperature),
        after=_current_before(grid, start),
        age_known=start > 0 and int(kind[start - 1]) != UNKNOWN,
    )


def _usable(time_ns: Int64Array, current: FloatArray) -> BoolArray:
    """Quiet rows well after any load, else quiet rows, else those with a bearable load."""
    loaded = np.abs(current) > QUIET_A
    last_load = np.maximum.accumulate(np.where(loaded, time_ns, time_ns[0] - 10**15))
    settled = (time_ns - last_load > AFTER_LOAD_S * SECOND_NS) & ~loaded
    if settled.sum() >= 30:
        return np.asarray(settled)
    if (~loaded).any():
        return np.asarray(~loaded)
    return np.asarray(np.abs(current) <= LOADED_A)


def _current_before(grid: Grid, start: int) -> float:
    """Mean current over the ten minutes before the rest [A]; NaN at the beginning of the recording."""
    first = int(np.searchsorted(grid.time_ns, grid.time_ns[start] - 600 * SECOND_NS))
    if first >= start:
        return float("nan")
    return float((grid.charge_ah[start - 1] - grid.charge_ah[first]) * 3600.0 / max(start - first, 1))


def describe_rests(
    grid: Grid, found: Sequence[RestVoltage], curve: OcvCurve, offset_a: float
) -> tuple[tuple[Rest, ...], tuple[Draw, ...]]:
    """The rests of half an hour and more, and the draw of each; mean and sleeping draw with the sensor's offset off."""
    long = [rest for rest in found if rest.end_ns - rest.start_ns >= LISTED_S * SECOND_NS]
    draws = tuple(measure_draw(grid, rest.start_ns, rest.end_ns) for rest in long)
    rests = tuple(
        Rest(
            start_ns=rest.start_ns,
            end_ns=rest.end_ns,
            end_v=float(rest.voltage[-1]),
            mean_ma=draw.mean_ma - 1e3 * offset_a,
            soc_from_ocv=soc_of(rest_anchor(rest, curve), curve),
            temperature_c=float(rest.temperature[-1]),
            asleep_ma=draw.asleep_ma - 1e3 * offset_a,
            settled=_settled(rest),
            wake_ups=draw.wake_ups,
        )
        for rest, draw in zip(long, draws, strict=True)
    )
    return rests, draws


def _settled(rest: RestVoltage) -> Literal["settled", "upper", "lower", "unknown"]:
    """Has the voltage relaxed? If not, on which side of the open-circuit voltage does it stand?"""
    left, spread = rest.remaining(rest.voltage - rest.voltage[-1])
    if rest.age_s[-1] >= SETTLED_S and abs(left) + spread < SETTLED_V:
        return "settled"
    if not rest.age_known or abs(left) < spread:
        return "unknown" if abs(rest.after) < 0.5 or not rest.age_known else ("upper" if rest.after > 0 else "lower")
    return "upper" if left > 0 else "lower"
