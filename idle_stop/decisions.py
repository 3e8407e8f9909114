"""Decisions as columns: at each standstill whether the engine was stopped, and what every condition's role said."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from decoder.recording import Recording
from estimator.estimate import BatteryEstimate
from idle_stop.account import Account, Standstill
from idle_stop.attribution import ARMING, ASKING
from idle_stop.conditions import Evaluated, evaluate_all
from idle_stop.readings import Reading, Readings
from idle_stop.steps import Int8Array
from signal_defs.platform import Condition, IdleStopRules

_SAMPLED = 65536  # samples looked at for a signal's resolution


@dataclass(frozen=True, slots=True, eq=False)
class Decisions:
    """All decisions of one recording, in order: n decisions, k conditions for stopping.

    stopped: (n,). value_low, value_high: (n, k) the role's value at the decision (a band where it is estimated), NaN
    where unknown or not a number. lowest, highest: (n, k) extremes from the decision before to this one; NaN where the
    signal was lost in between. state: (n, k) by the platform's own rules: 1 met, 0 failing, -1 unknown.
    told: (n, k) the vehicle itself named the condition. hidden: (n,) something beyond the conditions was not visible.
    step: (k,) resolution of the signal in its unit, NaN where it cannot be told.
    """

    conditions: tuple[Condition, ...]
    time_ns: Int64Array
    stopped: BoolArray
    value_low: FloatArray
    value_high: FloatArray
    lowest: FloatArray
    highest: FloatArray
    state: Int8Array
    told: BoolArray
    hidden: BoolArray
    step: FloatArray


def decisions_of(recording: Recording, estimate: BatteryEstimate, account: Account, rules: IdleStopRules) -> Decisions:
    """The decisions that an account found. A refusal counts at its decision, a stop at the instant it began."""
    readings = Readings(recording, estimate)
    asked = account.asked
    stopped = np.array([one.outcome != "refused" for one in asked], dtype=np.bool_)
    time = np.array([_instant(one) for one in asked], dtype=np.int64)
    evaluated = [one for one in evaluate_all(readings, rules, time[stopped]) if one.condition.applies_to != "restart"]
    columns = [_columns(one, time) for one in evaluated]
    shape = (len(asked), len(evaluated))
    told = np.zeros(shape, dtype=np.bool_)
    for row, standstill in enumerate(asked):
        named = {reason.condition for reason in standstill.reasons if reason.told_by_vehicle}
        told[row] = [not stopped[row] and one.condition.name in named for one in evaluated]
    return Decisions(
        conditions=tuple(one.condition for one in evaluated),
        time_ns=time,
        stopped=stopped,
        value_low=_table([column[0] for column in columns], shape),
        value_high=_table([column[1] for column in columns], shape),
        lowest=_table([column[2] for column in columns], shape),
        highest=_table([column[3] for column in columns], shape),
        state=_table([one.steps.at(time).astype(np.float64) for one in evaluated], shape).astype(np.int8),
        told=told,
        hidden=np.array([not {ARMING, ASKING}.isdisjoint(one.unknown_conditions) for one in asked], dtype=np.bool_),
        step=np.array([_step(one.reading) for one in evaluated], dtype=np.float64),
    )


def is_numeric(condition: Condition) -> bool:
    """Whether the condition has a level that can be learnt."""
    return condition.at_least is not None or condition.at_most is not None


def _instant(standstill: Standstill) -> int:
    return standstill.decision_ns if standstill.stop_start_ns is None else standstill.stop_start_ns


def _table(columns: list[FloatArray], shape: tuple[int, int]) -> FloatArray:
    return np.stack(columns, axis=1) if columns else np.empty(shape)


def _columns(one: Evaluated, time_ns: Int64Array) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    nothing = np.full(len(time_ns), np.nan)
    if one.reading is None or not is_numeric(one.condition):
        return nothing, nothing, nothing, nothing
    low, high = one.reading.band(time_ns)
    lowest, highest = nothing.copy(), nothing.copy()
    ends = np.searchsorted(one.reading.time_ns, time_ns, side="right")
    for row in range(1, len(time_ns)):
        first = max(int(ends[row - 1]) - 1, 0)
        lowest[row], highest[row] = _extremes(one.reading, first, int(ends[row]))
    return low, high, lowest, highest


def _extremes(reading: Reading, first: int, end: int) -> tuple[float, float]:
    """Lowest and highest of samples first..end; NaN where one of them is not usable or the signal was lost between."""
    if end <= first or not reading.usable[first:end].all():
        return np.nan, np.nan
    lost = np.searchsorted(reading.gaps, [first, end - 1])
    if lost[0] != lost[1]:
        return np.nan, np.nan
    return float(reading.low[first:end].min()), float(reading.high[first:end].max())


def _step(reading: Reading | None) -> float:
    """The smallest difference between two values of the signal; NaN with fewer than two values."""
    if reading is None or reading.estimated:
        return np.nan
    known = reading.low[: _SAMPLED * 16 : max(len(reading.low) // _SAMPLED, 1)]
    values = np.unique(known[np.isfinite(known)])
    return float(np.diff(values).min()) if len(values) > 1 else np.nan
