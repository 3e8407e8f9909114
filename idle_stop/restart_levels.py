"""The levels at which a stop is ended by the system, learnt from what stops outlasted and what ended them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from decoder.frames import BoolArray, FloatArray
from decoder.recording import Recording
from estimator.estimate import BatteryEstimate
from idle_stop.account import Account, Standstill
from idle_stop.decisions import is_numeric
from idle_stop.readings import Reading, Readings
from idle_stop.thresholds import FEW, Fit, Interval, level_of, sign_of
from signal_defs.platform import Condition, IdleStopRules

# Common practice, no source: a restart takes less, so what came before it is the stop itself; a shorter dip is ignored.
_RESTART_NS = 1_500_000_000
_DIP_NS = 1_000_000_000


@dataclass(frozen=True, slots=True, eq=False)
class StopEnds:
    """The ends of all stops of one recording: m stops, k numeric conditions for going on.

    outlasted: (m, k) the worst value the stop outlasted (lowest for at_least, highest for at_most), dips under a second
    left out. ended_at: (m, k) the value that ended it, where the account names the condition as the reason, alone.
    NaN where unknown or not so. named: (m, k) the account names the condition.
    """

    conditions: tuple[Condition, ...]
    outlasted: FloatArray
    ended_at: FloatArray
    named: BoolArray


@dataclass(frozen=True, slots=True)
class RestartLevel:
    """A condition's level for going on. outlasted: stops with the value known that the condition did not end.

    forced: stops that it ended. against_file: stops that contradict the platform's level.
    """

    condition: Condition
    level: Interval
    outlasted: int
    forced: int
    against_file: int
    fit: Fit


def stop_ends(recording: Recording, estimate: BatteryEstimate, account: Account, rules: IdleStopRules) -> StopEnds:
    """The ends of the stops that an account found."""
    readings = Readings(recording, estimate)
    conditions = tuple(c for c in rules.conditions if c.applies_to != "stop" and is_numeric(c))
    stops = [one for one in account.standstills if one.stop_start_ns is not None and one.ended_by != "unknown"]
    shape = (len(stops), len(conditions))
    lasted = [[_outlasted(readings.of(c.role), one, c) for c in conditions] for one in stops]
    ended = [[_ended_at(one, c) for c in conditions] for one in stops]
    named = [[any(reason.condition == c.name for reason in one.reasons) for c in conditions] for one in stops]
    return StopEnds(
        conditions=conditions,
        outlasted=np.array(lasted, dtype=np.float64).reshape(shape),
        ended_at=np.array(ended, dtype=np.float64).reshape(shape),
        named=np.array(named, dtype=np.bool_).reshape(shape),
    )


def learn_restart_levels(cases: Sequence[StopEnds]) -> tuple[RestartLevel, ...]:
    """The interval of each level, over recordings of one platform.

    A stop that the driver ended shows that the level lies beyond all it outlasted; one that a condition ended shows
    that the level had been passed.
    """
    if not cases:
        return ()
    return tuple(_learned(cases, place) for place in range(len(cases[0].conditions)))


def _learned(cases: Sequence[StopEnds], place: int) -> RestartLevel:
    condition = cases[0].conditions[place]
    sign = sign_of(condition)
    in_file = sign * level_of(condition)
    lasted = np.concatenate([sign * case.outlasted[~case.named[:, place], place] for case in cases])
    forced = np.concatenate([sign * case.ended_at[:, place] for case in cases])
    lasted, forced = lasted[np.isfinite(lasted)], forced[np.isfinite(forced)]
    high, low = float(np.min(lasted, initial=math.inf)), float(np.max(forced, initial=-math.inf))
    against = int((lasted < in_file).sum())
    fit: Fit = "too_strict" if against >= FEW else "fits" if len(forced) and len(lasted) else "too_little_data"
    return RestartLevel(condition, Interval.turned_back(sign, low, high), len(lasted), len(forced), against, fit)


def _outlasted(reading: Reading | None, stop: Standstill, condition: Condition) -> float:
    """The worst of the medians over each second of a stop; NaN where a sample is not usable."""
    assert stop.stop_start_ns is not None
    assert stop.stop_end_ns is not None
    if reading is None:
        return math.nan
    low, high = np.searchsorted(reading.time_ns, [stop.stop_start_ns, stop.stop_end_ns - _RESTART_NS])
    if high <= low or not reading.usable[low:high].all():
        return math.nan
    second = (reading.time_ns[low:high] - stop.stop_start_ns) // _DIP_NS
    medians = [float(np.median(part)) for part in np.split(reading.low[low:high], np.flatnonzero(np.diff(second)) + 1)]
    return min(medians) if condition.at_least is not None else max(medians)


def _ended_at(stop: Standstill, condition: Condition) -> float:
    if len(stop.reasons) != 1 or stop.reasons[0].condition != condition.name:
        return math.nan
    value = stop.reasons[0].value
    return float(value) if isinstance(value, float) else math.nan
