"""Standstills: when the vehicle stood in use, whether a stop was to be expected, and the stop if there was one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from decoder.frames import Int64Array
from idle_stop.engine import (
    CRANK_NS,
    engine_steps,
    flag_steps,
    has_engine_signals,
    idle_stop_spans,
    level_steps,
    session_spans,
)
from idle_stop.readings import Readings
from idle_stop.steps import FAILING, MET, UNKNOWN, Steps, all_of, bridged, joined, merged, overlap
from signal_defs.platform import IdleStopRules
from signal_defs.text import Text

_DROPOUT_NS = 10_000_000_000  # a loss of the speed signal this short hides no drive; common practice, no source

# What the driver does when he wants a stop (common practice; published owner's manuals agree): role, value wanted.
_MANUAL = (("gear_neutral", True), ("clutch_pressed", False))
_AUTOMATIC = (("brake_pressed", True),)
_REVERSE = ("r", "reverse")


@dataclass(frozen=True, slots=True)
class Candidate:
    """A standstill before it is judged [ns].

    stop: the idle-stop's start and end, None if there was none. not_sought_because: None where a stop was to be
    expected. arming_unknown: the data cannot tell whether the vehicle drove fast enough since the last start.
    asking_unknown: no pedal or gear signal tells whether the driver asked for a stop.
    """

    start_ns: int
    end_ns: int
    decision_ns: int
    stop: tuple[int, int] | None
    not_sought_because: Text | None = None
    arming_unknown: bool = False
    asking_unknown: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """What the standstills stand on: engine and speed over time, all stops. battery_only: neither was in the log."""

    engine: Steps
    moving: Steps | None
    stops: Int64Array
    battery_only: bool


def lay_ground(readings: Readings, rules: IdleStopRules) -> Ground:
    """Engine, movement and stops of a recording."""
    engine = engine_steps(readings)
    stops = idle_stop_spans(readings, engine, rules)
    moving = level_steps(readings, "vehicle_speed", rules.standing_kmh)
    return Ground(engine, moving, stops, battery_only=not has_engine_signals(readings))


def find_standstills(readings: Readings, rules: IdleStopRules, ground: Ground) -> tuple[Candidate, ...]:
    """All standstills in order. Without a speed signal only the stops themselves are seen."""
    if ground.moving is None:
        return tuple(Candidate(int(a), int(b), int(a), (int(a), int(b))) for a, b in ground.stops)
    end_ns = readings.recording.end_ns
    standing = bridged(ground.moving, UNKNOWN, _DROPOUT_NS).spans(FAILING, end_ns)
    spans = overlap(standing, session_spans(readings, ground.engine, ground.stops))
    arming = _Arming.of(readings, rules, ground)
    seeking = _seeking(readings, rules)
    return tuple(_judge(int(start), int(end), rules, ground, arming, seeking) for start, end in spans if end > start)


def _judge(
    start: int, end: int, rules: IdleStopRules, ground: Ground, arming: _Arming, seeking: Steps | None
) -> Candidate:
    delay = int(rules.stop_delay_s * 1e9)
    needed = max(delay, int(rules.min_standstill_s * 1e9))
    window = _first_window(start, end, seeking, needed)
    decision = (start if window is None else window) + delay
    stop = _stop_in(start, end, ground.stops)
    if stop is not None:
        return Candidate(start, end, max(start, min(decision, stop[0])), stop)
    because: Text | None = None
    armed = arming.at(start)
    if (end - start) < needed:
        because = Text(
            "The standstill lasted {seconds:.1f} s; a stop needs {needed:.1f} s.",
            {"seconds": (end - start) / 1e9, "needed": needed / 1e9},
        )
    elif armed is False:
        because = Text(
            "Since the last start the vehicle had not gone faster than {kmh:g} km/h for {seconds:g} s.",
            {"kmh": rules.re_arm_kmh, "seconds": rules.re_arm_s},
        )
    elif window is None:
        because = Text("The driver did not ask for a stop: brake, clutch or gear were not in the stop position.")
    return Candidate(start, end, decision, None, because, arming_unknown=armed is None, asking_unknown=seeking is None)


def _stop_in(start: int, end: int, stops: Int64Array) -> tuple[int, int] | None:
    """The first stop that lies in the standstill, or begins just before it (coasting) or ends just after it."""
    if not len(stops):
        return None
    index = int(np.searchsorted(stops[:, 1], start, side="right"))
    if index < len(stops) and stops[index, 0] < end:
        return int(stops[index, 0]), int(stops[index, 1])
    return None


def _first_window(start: int, end: int, seeking: Steps | None, needed: int) -> int | None:
    """Start of the first stretch of the standstill, `needed` long, in which the driver asks for a stop."""
    if seeking is None:
        return start if end - start >= needed else None
    index = int(np.searchsorted(seeking.time_ns, start, side="right")) - 1
    while index < len(seeking.time_ns):
        low = max(int(seeking.time_ns[index]), start) if index >= 0 else start
        high = int(seeking.time_ns[index + 1]) if index + 1 < len(seeking.time_ns) else end
        if low >= end:
            break
        if index >= 0 and seeking.state[index] == MET and min(high, end) - low >= needed:
            return low
        index += 1
    return None


def _seeking(readings: Readings, rules: IdleStopRules) -> Steps | None:
    """MET where nothing speaks against the driver asking for a stop, FAILING elsewhere; None without such signals.

    A role that the platform judges by a condition of its own is left to that condition.
    """
    judged = {condition.role for condition in rules.conditions}
    manual = any(readings.of(role) is not None for role, _ in _MANUAL)
    parts = []
    for role, wanted in _MANUAL if manual else _AUTOMATIC:
        steps = None if role in judged else flag_steps(readings, role)
        if steps is not None:
            parts.append(steps if wanted else _negated(steps))
    gear = None if "gear" in judged else readings.of("gear")
    if gear is not None:
        reverse = [number for number, label in gear.labels.items() if label.casefold() in _REVERSE]
        parts.append(gear.steps((~np.isin(gear.low, reverse)).astype(np.int8)))
    if not parts:
        return None
    steps = all_of(parts)
    start = min(readings.recording.start_ns, int(steps.time_ns[0]) - 1)
    time = np.append(np.int64(start), steps.time_ns)
    state = np.append(np.int8(MET), np.where(steps.state == FAILING, FAILING, MET)).astype(np.int8)
    return merged(time, state)


def _negated(steps: Steps) -> Steps:
    return Steps(steps.time_ns, np.where(steps.state == UNKNOWN, UNKNOWN, 1 - steps.state).astype(np.int8))


@dataclass(frozen=True, slots=True, eq=False)
class _Arming:
    """Fast drives (m, 2), engine starts (k,) and whether each was surely one, spans of unknown speed (u, 2) [ns]."""

    fast: Int64Array
    starts: Int64Array
    sure: list[bool]
    unseen: Int64Array
    wait_ns: int

    @classmethod
    def of(cls, readings: Readings, rules: IdleStopRules, ground: Ground) -> _Arming:
        end_ns, wait = readings.recording.end_ns, int(rules.re_arm_s * 1e9)
        above = level_steps(readings, "vehicle_speed", rules.re_arm_kmh)
        assert above is not None
        above = bridged(above, UNKNOWN, CRANK_NS)
        fast = above.spans(MET, end_ns)
        begun = {readings.recording.start_ns: False}
        for index in np.flatnonzero(ground.engine.state == MET):
            before = int(ground.engine.state[index - 1]) if index else UNKNOWN
            begun[int(ground.engine.time_ns[index])] = before == FAILING
        begun.update({int(stop_end): True for stop_end in ground.stops[:, 1]})
        unseen = joined(above.spans(UNKNOWN, end_ns), 0)
        starts = np.array(sorted(begun), dtype=np.int64)
        long_enough = fast[fast[:, 1] - fast[:, 0] >= wait]
        return cls(long_enough, starts, [begun[int(instant)] for instant in starts], unseen, wait)

    def at(self, instant: int) -> bool | None:
        """Whether a stop may be sought at an instant; None where the data cannot tell."""
        index = int(np.searchsorted(self.starts, instant, side="right")) - 1
        last = int(self.starts[index]) if index >= 0 else instant
        drive = int(np.searchsorted(self.fast[:, 0], instant, side="left")) - 1
        if drive >= 0 and min(int(self.fast[drive, 1]), instant) - max(int(self.fast[drive, 0]), last) >= self.wait_ns:
            return True
        if index < 0 or not self.sure[index]:
            return None
        hidden = (self.unseen[:, 0] < instant) & (self.unseen[:, 1] > last)
        return None if hidden.any() else False
