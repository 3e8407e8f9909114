"""How an idle-stop ended: the driver, the system and its reason, or unknown, by what came first."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from decoder.frames import BoolArray, FloatArray
from idle_stop.account import EndedBy, Reason, Verdict
from idle_stop.conditions import Evaluated
from idle_stop.engine import flag_steps
from idle_stop.readings import Reading, Readings
from idle_stop.steps import FAILING, MET, UNKNOWN, Steps
from idle_stop.told import VehicleWord, confirmed
from signal_defs.platform import IdleStopRules

# Common practice, no source, for all of these.
DRIVER_WINDOW_NS = 500_000_000  # a driver's action this long before the restart is its cause
SYSTEM_WINDOW_NS = 2_000_000_000  # a condition that began to fail this long before the restart is its cause
_SAMPLING_NS = 200_000_000  # an action may be seen this much later than it happened, one cycle of its signal at most
_SEARCH_NS = 3_000_000_000  # the restart lies this near the end of the stop
_TURNING_RPM = 50.0
_ACCELERATOR_PERCENT = 2.0
_STEERING_DEG = 20.0

DRIVER_ROLES = frozenset({"brake_pressed", "brake_pressure", "clutch_pressed", "gear_neutral", "gear", "accelerator"})
_SAGGING_ROLES = frozenset({"battery_voltage", "battery_current", "board_voltage"})
_LIMIT_S = 1.0  # how near the time limit a stop has to end

_Change = Callable[[FloatArray], BoolArray]


@dataclass(frozen=True, slots=True)
class Ending:
    """An end of a stop. reasons: what the system ended it for. unknown_conditions: not visible then."""

    ended_by: EndedBy
    reasons: tuple[Reason, ...] = ()
    unknown_conditions: tuple[str, ...] = ()
    verdict: Verdict = "none"
    explained: bool = True


class Endings:
    """Judges the ends of stops of one recording."""

    def __init__(
        self, readings: Readings, rules: IdleStopRules, evaluated: tuple[Evaluated, ...], word: VehicleWord
    ) -> None:
        self._word = word
        self._readings = readings
        self._rules = rules
        self._forcing = [
            one for one in evaluated if one.condition.applies_to != "stop" and one.condition.role not in DRIVER_ROLES
        ]
        self._starter = flag_steps(readings, "starter_active")
        self._ignition = flag_steps(readings, "ignition_on")
        self._actions = [
            (reading, change) for role, change in _ACTIONS.items() if (reading := readings.of(role)) is not None
        ]

    def judge(self, start_ns: int, end_ns: int) -> Ending:
        """The end of one stop [ns]."""
        if end_ns >= self._readings.recording.end_ns:
            return Ending("unknown")
        restart = self._restart(start_ns, end_ns)
        driver = self._driver(start_ns, restart, end_ns)
        forced = self._forced(start_ns, restart)
        told = self._word.ended(max(start_ns, restart - SYSTEM_WINDOW_NS), restart, tuple(self._forcing))
        if told is not None:
            forced = _with_told(forced, *told)
        first = min((instant for instant, _ in forced), default=None)
        if driver is not None and (first is None or driver <= first):
            return Ending("driver")
        if first is not None:
            reasons = tuple(reason for instant, reason in forced if instant == first)
            return self._by_system(restart, reasons)
        own = self._time_limit(start_ns, restart) or self._rolling(start_ns, restart)
        if own is not None:
            return self._by_system(restart, (own,))
        if not self._driver_is_visible(restart):
            return Ending("unknown")
        return self._by_system(restart, ())

    def _restart(self, start_ns: int, end_ns: int) -> int:
        """The starter's engagement, else the engine's first turning, else the stop's end [ns]."""
        if self._starter is not None:
            engaged = self._starter.entered_ns(MET, max(start_ns, end_ns - _SEARCH_NS), end_ns + _SEARCH_NS)
            if engaged is not None:
                return engaged
        speed = self._readings.of("engine_speed")
        if speed is None:
            return end_ns
        low, high = np.searchsorted(speed.time_ns, [max(start_ns, end_ns - _SEARCH_NS), end_ns + 1])
        still = np.flatnonzero((speed.low[low:high] < _TURNING_RPM) & speed.usable[low:high])
        turning = int(low) + int(still[-1]) + 1 if len(still) else len(speed.time_ns)
        return min(int(speed.time_ns[turning]), end_ns) if turning < len(speed.time_ns) else end_ns

    def _driver(self, start_ns: int, restart_ns: int, end_ns: int) -> int | None:
        """When the driver acted, just before the restart; None where he is not seen to act."""
        if self._ignition is not None:
            switched = self._ignition.entered_ns(FAILING, start_ns, end_ns + _SAMPLING_NS)
            if switched is not None and switched <= restart_ns + _SAMPLING_NS:
                return switched
        seen = [
            instant
            for reading, change in self._actions
            if (instant := _acted(reading, change, max(start_ns, restart_ns - DRIVER_WINDOW_NS), restart_ns))
            is not None
        ]
        return min(seen, default=None)

    def _forced(self, start_ns: int, restart_ns: int) -> list[tuple[int, Reason]]:
        """Conditions for going on that began to fail just before the restart, earliest first."""
        found = []
        for one in self._forcing:
            # The starter's own sag may be sampled before its flag is.
            until_ns = restart_ns - _SAMPLING_NS if one.condition.role in _SAGGING_ROLES else restart_ns
            failed = _failed_in(one.steps, max(start_ns, restart_ns - SYSTEM_WINDOW_NS), until_ns)
            if failed is not None:
                found.append((failed, one.reason(failed)))
        return sorted(found, key=lambda pair: pair[0])

    def _by_system(self, restart_ns: int, reasons: tuple[Reason, ...]) -> Ending:
        unknown = tuple(one.condition.name for one in self._forcing if one.steps.now(restart_ns) == UNKNOWN)
        verdict: Verdict
        if len(reasons) > 1:
            verdict = "multiple"
        elif reasons:
            verdict = "probable" if unknown else "sole"
        else:
            verdict = "unknown" if unknown else "contradicted"
        return Ending("system", reasons, unknown, verdict, explained=bool(reasons))

    def _time_limit(self, start_ns: int, restart_ns: int) -> Reason | None:
        limit_s, seconds = self._rules.max_stop_s, (restart_ns - start_ns) / 1e9
        if limit_s is None or abs(seconds - limit_s) > max(_LIMIT_S, 0.02 * limit_s):
            return None
        return Reason("time limit of one stop", "driver", "", round(seconds, 1), limit_s, "s",
                      start_ns + int(limit_s * 1e9))  # fmt: skip

    def _rolling(self, start_ns: int, restart_ns: int) -> Reason | None:
        speed = self._readings.of("vehicle_speed")
        if speed is None or any(one.condition.role == "vehicle_speed" for one in self._forcing):
            return None
        low, high = np.searchsorted(speed.time_ns, [max(start_ns, restart_ns - SYSTEM_WINDOW_NS), restart_ns])
        rolling = np.flatnonzero((speed.low[low:high] > self._rules.standing_kmh) & speed.usable[low:high])
        if not len(rolling) or len(rolling) == high - low:
            return None
        index = int(low) + int(rolling[0])
        return Reason("vehicle stands", "safety", "vehicle_speed", float(speed.low[index]), self._rules.standing_kmh,
                      "km/h", int(speed.time_ns[index]))  # fmt: skip

    def _driver_is_visible(self, restart_ns: int) -> bool:
        """Whether the pedal that restarts the engine is seen: the clutch of a manual gearbox, else the brake."""
        manual = self._readings.of("clutch_pressed") is not None or self._readings.of("gear_neutral") is not None
        pedals = ("clutch_pressed",) if manual else ("brake_pressed", "brake_pressure")
        readings = [self._readings.of(role) for role in pedals]
        return any(reading is not None and np.isfinite(reading.value(restart_ns)) for reading in readings)


def _with_told(forced: list[tuple[int, Reason]], told_ns: int, told: Reason) -> list[tuple[int, Reason]]:
    """What failed, with the vehicle's word: it confirms what is inferred in its group, else it stands alone."""
    mine = [(instant, confirmed(reason)) for instant, reason in forced if reason.group == told.group]
    return mine or [(told_ns, told)]


def _failed_in(steps: Steps, after_ns: int, until_ns: int) -> int | None:
    """When a condition began to fail in the window, coming from met; None where it did not or the past is unknown."""
    failed = steps.entered_ns(FAILING, after_ns, until_ns)
    return failed if failed is not None and steps.now(failed - 1) == MET else None


def _acted(reading: Reading, change: _Change, after_ns: int, restart_ns: int) -> int | None:
    """The first sample in the window that shows the driver's action against the one before it."""
    period = int(np.clip(reading.limit_ns // 10, 0, _SAMPLING_NS))
    low, high = np.searchsorted(reading.time_ns, [after_ns - period, restart_ns + period], side="right")
    first = max(int(low) - 1, 0)
    value, usable = reading.low[first:high], reading.usable[first:high]
    if len(value) < 2:
        return None
    found = np.flatnonzero(change(value) & usable[1:] & usable[:-1])
    return int(reading.time_ns[first + 1 + int(found[0])]) if len(found) else None


def _released(value: FloatArray) -> BoolArray:
    return np.asarray((value[:-1] == 1.0) & (value[1:] == 0.0))


def _moved(value: FloatArray) -> BoolArray:
    return np.asarray(value[:-1] != value[1:])


_ACTIONS: dict[str, _Change] = {
    "brake_pressed": _released,
    "brake_pressure": lambda value: np.asarray(value[1:] < 0.5 * value[0]),
    "clutch_pressed": _moved,
    "gear_neutral": _released,
    "gear": _moved,
    "accelerator": lambda value: np.asarray(value[1:] - value[0] > _ACCELERATOR_PERCENT),
    "steering_angle": lambda value: np.asarray(np.abs(value[1:] - value[0]) > _STEERING_DEG),
}
"""What shows the driver's action in each sample but the first, (n - 1,), of a window of the role's values, (n,)."""
