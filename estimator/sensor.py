"""The battery sensor held against the estimate: its charge, its health, its zero, its sign, its coding."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from decoder.frames import FloatArray, Int64Array
from decoder.recording import Recording
from estimator.cranks import CRANK_A, Crank
from estimator.estimate import NO_BOARD, NO_SOC, NO_SOH, TOO_STILL, Figure, SensorJudgement, SocStep, unknown_figure
from estimator.grid import SECOND_NS, Grid, between, valid_samples
from signal_defs.text import Text

STEP_POINTS = 5.0  # a jump of the sensor's charge within ten minutes seen, or across silence, beyond the charge moved
CONSTANT_POINTS = 3.0  # charge moved while the sensor's stood still
COUNTED_POINTS = 8.0


def judge_sensor(
    recording: Recording, grid: Grid, soc: FloatArray, cranks: Sequence[Crank], capacity_ah: float, soh: Figure
) -> SensorJudgement:
    """What can be said of the sensor.

    soc: (n,) estimate for each row of the grid [%]. capacity_ah: to turn counted charge into points. soh: the estimate.
    """
    time_ns, own = valid_samples(recording.traces.get("battery_soc"))
    time_ns, own = _each_second(time_ns, own)
    inverted = sum(crank.inverted for crank in cranks)
    constant, value = _constant(grid, soc, time_ns, own)
    reset = recording.traces.get("battery_sensor_reset")
    reset_ns, reset_on = valid_samples(reset)
    hits = np.flatnonzero(reset_on > 0.5)
    plausible = valid_samples(recording.traces.get("battery_soc_plausible"))[1]
    coded = valid_samples(recording.traces.get("battery_capacity_coded"))[1]
    return SensorJudgement(
        sign_wrong=inverted > len(cranks) / 2 if cranks else None,
        inverted_cranks=inverted,
        soc_difference=_difference(grid, soc, time_ns, own),
        soc_constant=constant,
        soc_constant_value=value,
        soc_steps=_steps(grid, time_ns, own, capacity_ah),
        soh_difference=_health_difference(recording, soh),
        reset_seen=bool(len(hits)) if len(reset_on) else None,
        reset_ns=int(reset_ns[hits[0]]) if len(hits) else None,
        implausible_share=float(np.mean(plausible < 0.5)) if len(plausible) else math.nan,
        coded_capacity_percent=float(np.median(coded)) if len(coded) else math.nan,
        counted_capacity_ah=_counted_capacity(grid, time_ns, own),
        board_resistance_mohm=_board_resistance(recording, grid),
    )


def _each_second(time_ns: Int64Array, value: FloatArray) -> tuple[Int64Array, FloatArray]:
    """The last sample of each second."""
    if not len(time_ns):
        return time_ns, value
    last = np.flatnonzero(np.diff(time_ns // SECOND_NS, append=-1) != 0)
    return time_ns[last], value[last]


def _difference(grid: Grid, soc: FloatArray, time_ns: Int64Array, own: FloatArray) -> Figure:
    if not len(own):
        return NO_SOC
    apart = own - between(grid.time_ns, soc, time_ns)
    low, high = np.quantile(apart, (0.025, 0.975))
    return Figure(float(np.mean(apart)), float(low), float(high))


def _constant(grid: Grid, soc: FloatArray, time_ns: Int64Array, own: FloatArray) -> tuple[bool | None, float]:
    """Did the sensor's charge stand still while the true one moved? None where the true one did not move either."""
    if not len(own):
        return None, math.nan
    rows = grid.rows(int(time_ns[0]), int(time_ns[-1]) + 1)
    moved = float(np.ptp(soc[rows])) if rows.stop > rows.start else 0.0
    if float(np.ptp(own)) > 0.5:
        return False, math.nan
    return (True if moved > CONSTANT_POINTS else None), float(own[0])


def _steps(grid: Grid, time_ns: Int64Array, own: FloatArray, capacity_ah: float) -> tuple[SocStep, ...]:
    """Jumps between neighbouring seconds, or across silence, by more than five points beyond the charge moved."""
    jumps = np.flatnonzero(np.abs(np.diff(own)) > STEP_POINTS)
    steps = []
    for jump in jumps[:1000]:
        before, after = np.searchsorted(grid.time_ns, time_ns[jump : jump + 2]).clip(0, len(grid) - 1)
        counted = 100.0 * float(grid.charge_ah[after] - grid.charge_ah[before]) / capacity_ah
        if abs(float(own[jump + 1] - own[jump]) - counted) > STEP_POINTS:
            steps.append(SocStep(int(time_ns[jump + 1]), float(own[jump]), float(own[jump + 1])))
    return tuple(steps)


def _health_difference(recording: Recording, soh: Figure) -> Figure:
    own = valid_samples(recording.traces.get("battery_soh"))[1]
    if not len(own):
        return NO_SOH
    if not soh.is_known:
        return unknown_figure(
            Text(
                "The sensor's state of health is {own:.0f} %; the data cannot check it.", {"own": float(np.median(own))}
            )
        )
    value = float(np.median(own))
    return Figure(value - soh.value, value - soh.high, value - soh.low)


def _counted_capacity(grid: Grid, time_ns: Int64Array, own: FloatArray) -> Figure:
    """Ah per 100 points of the sensor's own charge while it counts [Ah]: the capacity it believes in."""
    if not len(own):
        return NO_SOC
    charge = between(grid.time_ns, grid.charge_ah, time_ns)
    stride_ns = 600 * SECOND_NS
    marks = np.unique(np.searchsorted(time_ns, np.arange(time_ns[0], time_ns[-1], stride_ns)))
    moved, points = np.diff(charge[marks]), np.diff(own[marks])
    whole = (np.diff(time_ns[marks]) < 1.5 * stride_ns) & (np.abs(points) < STEP_POINTS) & (own[marks[:-1]] < 95.0)
    moved, points = moved[whole], points[whole]
    if len(moved) < 5 or float(np.abs(points).sum()) < COUNTED_POINTS or not float(moved @ moved) > 0:
        return TOO_STILL
    slope = float(points @ moved / (moved @ moved))
    spread = float(np.std(points - slope * moved)) / math.sqrt(float(moved @ moved))
    if slope < 4.0 * spread:
        return unknown_figure(Text("The sensor's state of charge does not follow the current."))
    return Figure(100.0 / slope, 100.0 / (slope + 2 * spread), 100.0 / (slope - 2 * spread))


def _board_resistance(recording: Recording, grid: Grid) -> Figure:
    """Slope of board voltage minus battery voltage over current [mOhm]; a constant difference is no contact."""
    time_ns, board = valid_samples(recording.traces.get("board_voltage"))
    if not len(board):
        return NO_BOARD
    second = time_ns // SECOND_NS
    starts = np.flatnonzero(np.diff(second, prepend=second[0] - 1))
    mean = np.add.reduceat(board, starts) / np.diff(starts, append=len(board))
    rows = np.searchsorted(grid.time_ns, second[starts] * SECOND_NS).clip(0, len(grid) - 1)
    same = grid.time_ns[rows] == second[starts] * SECOND_NS
    difference, current = mean[same] - grid.voltage[rows[same]], grid.current[rows[same]]
    steady = np.diff(grid.time_ns, prepend=0)[rows[same]] == SECOND_NS  # a mean over the same second
    good = np.isfinite(difference) & (np.abs(current) < CRANK_A) & steady
    difference, current = difference[good], current[good]
    if len(current) < 100 or float(np.std(current)) < 3.0:
        return unknown_figure(Text("The current varied too little to compare the two voltages."))
    centred = current - current.mean()
    slope = float(centred @ difference / (centred @ centred))
    spread = float(np.std(difference - difference.mean() - slope * centred)) / math.sqrt(float(centred @ centred))
    half = 3.0 * spread + 2e-4
    return Figure(1e3 * slope, 1e3 * (slope - half), 1e3 * (slope + half))
