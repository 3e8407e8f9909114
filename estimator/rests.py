"""Rests: stretches with the engine off, and the voltage in them that tells of charge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from estimator.anchors import rest_anchor, soc_of
from estimator.estimate import Rest
from estimator.grid import ASSUMED_TEMPERATURE_C, SECOND_NS, Grid, runs_of
from estimator.ocv import OcvCurve
from estimator.phases import AWAKE, PARKED, UNKNOWN
from estimator.quiescent import Draw, measure_draw
from estimator.relaxation import RestVoltage

QUIET_A = 0.6
LOADED_A = 30.0  # with more than this drawn, voltage tells nothing of rest
SLOW_RESISTANCE_OHM_AH = 1.0  # resistance to a small lasting load, times rated capacity; 14 mOhm at 70 Ah. From memory
LOAD_V = 0.02  # what a lasting load of several ampere may take beside that; slow to come and to go. Ours
LOAD_SHARE = 0.002
AFTER_LOAD_S = 120.0
SHORT_WINDOW = 0.25  # of the window before: a shorter last one is added to that
SEAMLESS_S = 300.0
UNKNOWN_TEMPERATURE_V = 0.012  # 10 K at 1.2 mV/K
LISTED_S = 1800.0  # engine-off stretches from half an hour on are listed
SETTLED_S = 4 * 3600.0
SETTLED_V = 0.012  # left to relax, deviation included; 1 to 1.5 points of charge. Ours
WINDOW_EDGES_S = np.concatenate(
    ([0.0], 30.0 * 1.5 ** np.arange(17), np.arange(6, 49, 3) * 3600.0, np.arange(54, 24 * 400, 6) * 3600.0)
)
"""[s] widening by half up to five and a half hours, then three, then six hours wide."""


def find_rests(grid: Grid, kind: Int64Array, capacity_nominal: float) -> tuple[RestVoltage, ...]:
    """Every engine-off stretch (no idle-stop) with usable voltage, short ones too; silence of the log may lie inside.

    kind: (n,) phase of each row. capacity_nominal: [Ah]. A load that takes 0.2 % of the capacity ends one rest and
    begins another. Otherwise rows with more than 0.6 A, and two minutes after such rows, are left out where the rest
    has quieter ones; a load up to 30 A is taken off by a typical resistance, and its uncertainty kept.
    """
    off = (kind == PARKED) | (kind == AWAKE) | (kind == UNKNOWN)
    rests: list[RestVoltage] = []
    for start, end in runs_of(off):
        pieces = _between_loads(grid, start, end, LOAD_SHARE * capacity_nominal)
        known = start > 0 and int(kind[start - 1]) != UNKNOWN
        found = [_rest_voltage(grid, a, b, capacity_nominal, known or a > start) for a, b in pieces]
        if not any(found):
            found = [_rest_voltage(grid, start, end, capacity_nominal, known)]
        stretch = (int(grid.time_ns[start]), int(grid.time_ns[end - 1]) + SECOND_NS)
        rests.extend(replace(rest, stretch_ns=stretch) for rest in found if rest is not None)
    return tuple(rests)


def _between_loads(grid: Grid, start: int, end: int, share_ah: float) -> list[tuple[int, int]]:
    """Rows of an engine-off stretch, cut where a load (breaks up to a minute bridged) took more than share_ah."""
    with np.errstate(invalid="ignore"):
        loaded = np.flatnonzero(np.abs(grid.current[start:end]) > QUIET_A) + start
    if not len(loaded):
        return [(start, end)]
    breaks = np.flatnonzero(np.diff(grid.time_ns[loaded]) > 60 * SECOND_NS)
    pieces, begin = [], start
    for run in np.split(loaded, breaks + 1):
        if abs(float(grid.charge_ah[run[-1]] - grid.charge_ah[max(run[0] - 1, 0)])) > share_ah:
            pieces.append((begin, int(run[0])))
            begin = int(run[-1]) + 1
    pieces.append((begin, end))
    return [(a, b) for a, b in pieces if b > a]


def _rest_voltage(grid: Grid, start: int, end: int, capacity_nominal: float, known: bool) -> RestVoltage | None:
    """The rest in rows start to end; None without a usable voltage. known: the beginning was seen."""
    rows = np.flatnonzero(_usable(grid, start, end)) + start
    if not len(rows):
        return None
    resistance = SLOW_RESISTANCE_OHM_AH / capacity_nominal
    start_ns = int(grid.time_ns[start])
    age = (grid.time_ns[rows] - start_ns) / 1e9 + 0.5
    window = np.searchsorted(WINDOW_EDGES_S, age, side="right")
    first = _no_short_end(np.unique(window, return_index=True)[1], age)
    count = np.diff(first, append=len(rows))

    def mean(values: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(values, first) / count)

    mean_age, load = mean(age), mean(np.nan_to_num(grid.current[rows]))
    temperature = grid.temperature[rows]
    known_c = np.isfinite(temperature)
    return RestVoltage(
        start_ns=start_ns,
        end_ns=int(grid.time_ns[end - 1]) + SECOND_NS,
        age_s=mean_age,
        time_s=(start_ns - int(grid.time_ns[0])) / 1e9 + mean_age,
        voltage=mean(grid.voltage[rows]) - resistance * load,
        load_v=resistance * load,
        load_sd=0.3 * resistance * np.abs(load)
        + LOAD_V * -np.expm1(-np.abs(load))
        + UNKNOWN_TEMPERATURE_V * (not known_c.all()),
        temperature=mean(np.where(known_c, temperature, ASSUMED_TEMPERATURE_C)),
        after=_current_before(grid, start),
        age_known=known,
    )


def _no_short_end(first: Int64Array, age: FloatArray) -> Int64Array:
    """First rows of the windows; a last window much shorter than the one before, and no silence between, joins that.

    Else a few rows, perhaps touched by what ends the rest, would weigh as much as hours.
    """
    if len(first) < 2:
        return first
    length, before = age[-1] - age[first[-1]], age[first[-1]] - age[first[-2]]
    seamless = age[first[-1]] - age[first[-1] - 1] < SEAMLESS_S
    return first[:-1] if seamless and length < SHORT_WINDOW * before else first


def _usable(grid: Grid, start: int, end: int) -> BoolArray:
    """(end - start,) quiet rows well after any load, else quiet rows, else those with a bearable load."""
    seen = np.isfinite(grid.voltage[start:end])
    current, time_ns = np.nan_to_num(grid.current[start:end]), grid.time_ns[start:end]
    loaded = np.abs(current) > QUIET_A
    last_load = np.maximum.accumulate(np.where(loaded, time_ns, time_ns[0] - 10**15))
    before_load = np.append(loaded[1:], True)  # a load may begin within that second
    quiet = seen & ~loaded & ~before_load
    settled = quiet & (time_ns - last_load > AFTER_LOAD_S * SECOND_NS)
    if settled.sum() >= 30:
        return np.asarray(settled)
    return np.asarray(quiet if quiet.any() else seen & (np.abs(current) <= LOADED_A))


def _current_before(grid: Grid, start: int) -> float:
    """Mean current over the ten minutes before the rest [A]; NaN at the beginning of the recording."""
    first = int(np.searchsorted(grid.time_ns, grid.time_ns[start] - 600 * SECOND_NS))
    if first >= start:
        return float("nan")
    return float((grid.charge_ah[start - 1] - grid.charge_ah[first]) * 3600.0 / max(start - first, 1))


def describe_rests(
    grid: Grid, found: Sequence[RestVoltage], curve: OcvCurve, offset_a: float, per_ah: float
) -> tuple[tuple[Rest, ...], tuple[Draw, ...]]:
    """The rests of half an hour and more, and the draw of each; mean and sleeping draw with the sensor's offset off.

    per_ah: points of charge per Ah, to bring each rest's charge to its end.
    """
    stretches: dict[tuple[int, int], list[RestVoltage]] = {}
    for rest in found:
        if rest.stretch_ns[1] - rest.stretch_ns[0] >= LISTED_S * SECOND_NS:
            stretches.setdefault(rest.stretch_ns, []).append(rest)
    described = [_describe(grid, parts, curve, offset_a, per_ah) for parts in stretches.values()]
    return tuple(rest for rest, _ in described), tuple(draw for _, draw in described)


def _describe(
    grid: Grid, parts: list[RestVoltage], curve: OcvCurve, offset_a: float, per_ah: float
) -> tuple[Rest, Draw]:
    """One engine-off stretch; where loads cut it into rests, the longest of them tells the charge."""
    longest = max(parts, key=lambda part: float(part.age_s[-1]))
    start_ns, end_ns = longest.stretch_ns
    draw = measure_draw(grid, start_ns, end_ns)
    last = grid.rows(start_ns, end_ns).stop - 1
    ends_s = np.array([(int(grid.time_ns[last]) - int(grid.time_ns[0])) / 1e9])
    to_end = _counted(grid, ends_s, offset_a) - _counted(grid, longest.time_s, offset_a)
    rest = Rest(
        start_ns=start_ns,
        end_ns=end_ns,
        end_v=float(parts[-1].voltage[-1]),
        mean_ma=draw.mean_ma - 1e3 * offset_a,
        soc_from_ocv=soc_of(rest_anchor(longest, curve), curve, per_ah * to_end),
        temperature_c=float(parts[-1].temperature[-1]),
        asleep_ma=draw.asleep_ma - 1e3 * offset_a,
        settled=_settled(longest),
        wake_ups=draw.wake_ups,
    )
    return rest, draw


def _counted(grid: Grid, time_s: FloatArray, offset_a: float) -> FloatArray:
    """Charge moved up to these instants, the offset off [Ah]."""
    row = np.clip(time_s.astype(np.int64), 0, None)
    place = np.searchsorted(grid.time_ns, int(grid.time_ns[0]) + row * SECOND_NS).clip(0, len(grid) - 1)
    return np.asarray(grid.charge_ah[place] - offset_a * grid.covered_s[place] / 3600.0)


def _settled(rest: RestVoltage) -> Literal["settled", "upper", "lower", "unknown"]:
    """Has the voltage relaxed? If not, on which side of the open-circuit voltage does it stand?"""
    left, spread = rest.remaining(rest.voltage - rest.voltage[-1])
    if rest.age_s[-1] >= SETTLED_S and abs(left) + spread < SETTLED_V:
        return "settled"
    side = left if rest.age_known and abs(left) >= spread else rest.direction
    return "upper" if side > 0 else "lower" if side < 0 else "unknown"
