"""Conditions over time: each rule of the platform met, failing or unknown, worked out over whole columns."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from decoder.frames import BoolArray, Int64Array
from idle_stop.account import Reason
from idle_stop.readings import Reading, Readings
from idle_stop.steps import FAILING, MET, UNKNOWN, Int8Array, Steps, merged
from signal_defs.platform import Condition, IdleStopRules
from signal_defs.roles import ROLES

_HOLD = 2  # between threshold and release: what held before still holds


@dataclass(frozen=True, slots=True, eq=False)
class Evaluated:
    """A condition and its state over the recording. reading: None where its role was never seen."""

    condition: Condition
    steps: Steps
    reading: Reading | None

    def reason(self, at_ns: int) -> Reason:
        """The condition as a reason, at an instant where it fails."""
        unit = ROLES[self.condition.role].unit if self.condition.role in ROLES else ""
        value = math.nan if self.reading is None else self.reading.value(at_ns)
        return Reason(
            condition=self.condition.name,
            group=self.condition.group,
            role=self.condition.role,
            value=self._written(value),
            threshold=self._threshold(value),
            unit=self.reading.unit if self.reading is not None and not unit else unit,
            failing_since_ns=self.steps.since_ns(at_ns),
        )

    def _written(self, value: float) -> float | str | bool:
        if isinstance(self.condition.equals, bool) and value in (0.0, 1.0):
            return bool(value)
        if self.reading is not None and isinstance(self.condition.equals, str) and math.isfinite(value):
            return self.reading.labels.get(int(value), f"{value:g}")
        return value

    def _threshold(self, value: float) -> float | str | bool:
        """The level to be met now: the release level where the threshold itself is passed already."""
        condition = self.condition
        if condition.at_least is not None:
            return condition.at_least + (condition.hysteresis if value >= condition.at_least else 0.0)
        if condition.at_most is not None:
            return condition.at_most - (condition.hysteresis if value <= condition.at_most else 0.0)
        assert condition.equals is not None
        return condition.equals


def evaluate_all(readings: Readings, rules: IdleStopRules, stopped_ns: Int64Array) -> tuple[Evaluated, ...]:
    """Every condition of the platform, in its order. stopped_ns: (s,) instants at which the vehicle stopped its engine.

    A stop shows that the conditions for stopping were met just then; it settles, and only that, a value between
    threshold and release whose past is not known.
    """
    return tuple(
        evaluate(condition, readings, stopped_ns if condition.applies_to != "restart" else stopped_ns[:0])
        for condition in rules.conditions
    )


def evaluate(condition: Condition, readings: Readings, stopped_ns: Int64Array) -> Evaluated:
    """One condition over the recording."""
    reading = readings.of(condition.role)
    if reading is None or not len(reading.time_ns):
        nothing = Steps(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int8))
        return Evaluated(condition, nothing, reading)
    runs = reading.steps(_codes(condition, reading))
    if condition.hysteresis > 0.0 or reading.estimated:
        runs = _hysteresis_resolved(runs, reading, stopped_ns)
    if condition.for_s > 0.0:
        runs = _held_for(runs, int(condition.for_s * 1e9))
    return Evaluated(condition, runs, reading)


def _codes(condition: Condition, reading: Reading) -> Int8Array:
    """Each sample by itself: MET (past the release level), FAILING, _HOLD (between), UNKNOWN."""
    low, high = reading.low, reading.high
    if condition.at_least is not None:
        return _levels(low, high, condition.at_least, condition.hysteresis, estimated=reading.estimated)
    if condition.at_most is not None:
        return _levels(-high, -low, -condition.at_most, condition.hysteresis, estimated=reading.estimated)
    if isinstance(condition.equals, bool):
        return np.asarray(low == float(condition.equals), dtype=np.int8)
    return _named(low, str(condition.equals), reading.labels)


def _levels(low: np.ndarray, high: np.ndarray, threshold: float, hysteresis: float, *, estimated: bool) -> Int8Array:
    """Codes against a threshold to be reached from below; a band that lies across a level is UNKNOWN."""
    if not estimated:
        reached = (low >= threshold).view(np.int8)
        if hysteresis <= 0.0:
            return reached.copy()
        codes = reached * np.int8(_HOLD)
        codes[low >= threshold + hysteresis] = MET
        return codes
    codes = np.full(len(low), UNKNOWN, dtype=np.int8)
    codes[(low >= threshold) & (high < threshold + hysteresis)] = _HOLD
    codes[low >= threshold + hysteresis] = MET
    codes[high < threshold] = FAILING
    return codes


def _named(value: np.ndarray, name: str, labels: Mapping[int, str]) -> Int8Array:
    """Codes of a state against a name; a state without that name and without any label is compared as a number."""
    wanted = [number for number, label in labels.items() if label.casefold() == name.casefold()]
    if not wanted:
        try:
            wanted = [int(name)]
        except ValueError:
            return np.full(len(value), UNKNOWN, dtype=np.int8)
    return np.isin(value, np.array(wanted, dtype=np.float64)).astype(np.int8)


def _hysteresis_resolved(runs: Steps, reading: Reading, stopped_ns: Int64Array) -> Steps:
    """Runs between the levels take what held before them, across invalid samples for no longer than a sample holds.

    Where nothing is known before, a stop seen in the run shows that it was met all along; else it is unknown.
    """
    time, state = runs.time_ns, runs.state
    if not len(time):
        return runs
    length = np.append(np.diff(time), np.iinfo(np.int64).max)
    skipped = state == _HOLD
    short = np.flatnonzero((state == UNKNOWN) & (length <= reading.limit_ns))
    skipped[short[_is_sample(time[short], reading)]] = True
    resolved = _carried(state, skipped)
    open_runs = (state == _HOLD) & (resolved == UNKNOWN)
    if open_runs.any() and len(stopped_ns):
        seen = np.searchsorted(time, stopped_ns, side="right") - 1
        settled = seen[(seen >= 0) & open_runs[np.maximum(seen, 0)]]
        state = state.copy()
        state[settled] = MET
        skipped[settled] = False
        resolved = _carried(state, skipped)
    return merged(time, resolved)


def _is_sample(time_ns: Int64Array, reading: Reading) -> BoolArray:
    """Which instants are a sample's; the others are those where a sample became stale."""
    place = np.minimum(np.searchsorted(reading.time_ns, time_ns), len(reading.time_ns) - 1)
    return np.equal(reading.time_ns[place], time_ns)


def _carried(state: Int8Array, skipped: np.ndarray) -> Int8Array:
    """The states, _HOLD replaced by the last before it that is not skipped; UNKNOWN before the first such."""
    place = np.maximum.accumulate(np.where(skipped, -1, np.arange(len(state))))
    before = np.where(place >= 0, state[np.maximum(place, 0)], UNKNOWN)
    return np.where(state == _HOLD, before, state).astype(np.int8)


def _held_for(steps: Steps, wait_ns: int) -> Steps:
    """MET counts only once it has held for the wait; until then what was before it goes on (failing or unknown)."""
    time, state = steps.time_ns, steps.state
    met = np.flatnonzero(state == MET)
    if not len(met):
        return steps
    ends = np.append(time[1:], np.iinfo(np.int64).max)
    before = np.where(met > 0, state[np.maximum(met - 1, 0)], np.int8(UNKNOWN)).astype(np.int8)
    waiting = state.copy()
    waiting[met] = before
    lasting = met[ends[met] - time[met] > wait_ns]
    when = np.concatenate([time, time[lasting] + wait_ns])
    what = np.concatenate([waiting, np.full(len(lasting), MET, dtype=np.int8)])
    order = np.argsort(when, kind="stable")
    return merged(when[order], what[order])
