"""The simulated vehicle's idle-stop controller: it obeys the platform's conditions, one tick after the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from idlewhy.demo.trip import TICK_S, Value
from signal_defs.platform import Condition, IdleStopRules

Order = Literal["none", "stop", "restart_driver", "restart_system"]

TIME_LIMIT = "time limit of one stop"
_CONFIRM_S = 0.5  # a condition must fail for so long before it ends a stop


@dataclass(slots=True)
class _Watch:
    """A condition's memory: whether it counts as met, and for how long its value has held."""

    condition: Condition
    met: bool = True
    held_s: float = 1e9

    def see(self, value: Value) -> None:
        c = self.condition
        back = 0.0 if self.met and self.held_s >= c.for_s else c.hysteresis
        if c.equals is not None:
            holds = value == c.equals
        elif c.at_least is not None:
            holds = float(value) >= c.at_least + back
        else:
            assert c.at_most is not None
            holds = float(value) <= c.at_most - back
        self.held_s = self.held_s + TICK_S if holds else 0.0
        self.met = holds and self.held_s >= c.for_s


@dataclass(slots=True)
class Controller:
    """Decides once a standstill, at its start plus the stop delay; ends a stop for the driver or for a condition.

    decided: outcome of the decision in this standstill, None before it. failing: the conditions behind the last
    refusal or the end of the last stop. armed: the re-arm speed has been passed since the last start.
    """

    rules: IdleStopRules
    decided: Literal["stopped", "refused", "not_sought"] | None = None
    failing: tuple[str, ...] = ()
    armed: bool = False
    _standing_s: float = 0.0
    _fast_s: float = 0.0
    _stopped_s: float = 0.0
    _failing_s: float = 0.0
    _watches: list[_Watch] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._watches = [_Watch(condition) for condition in self.rules.conditions]

    def engine_started(self) -> None:
        """A start asks for the re-arm speed to be passed again."""
        self.armed, self._fast_s = False, 0.0

    def tick(self, values: Mapping[str, Value], engine: str, wants_to_go: bool) -> Order:
        """One tick of 0.1 s. values: role -> value. engine: "running", "idle_stop", or anything else."""
        for watch in self._watches:
            watch.see(values[watch.condition.role])
        speed = float(values["vehicle_speed"])
        self._fast_s = self._fast_s + TICK_S if speed > self.rules.re_arm_kmh else 0.0
        self.armed = self.armed or (engine == "running" and self._fast_s >= self.rules.re_arm_s)
        if speed > self.rules.standing_kmh:
            self._standing_s, self.decided, self.failing = 0.0, None, ()
            return "none"
        self._standing_s += TICK_S
        if engine == "idle_stop":
            return self._end(wants_to_go)
        self._stopped_s = 0.0
        if engine == "running" and self.decided is None and self._standing_s >= self.rules.stop_delay_s:
            return self._decide()
        return "none"

    def _decide(self) -> Order:
        if not self.armed:
            self.decided = "not_sought"
            return "none"
        self.failing = self._unmet("restart")
        self.decided = "refused" if self.failing else "stopped"
        return "none" if self.failing else "stop"

    def _end(self, wants_to_go: bool) -> Order:
        self._stopped_s += TICK_S
        if wants_to_go:
            return "restart_driver"
        failing = self._unmet("stop", driver=False)
        self._failing_s = self._failing_s + TICK_S if failing else 0.0
        too_long = self.rules.max_stop_s is not None and self._stopped_s >= self.rules.max_stop_s
        if self._failing_s >= _CONFIRM_S or too_long:
            self.failing = failing or (TIME_LIMIT,)
            return "restart_system"
        return "none"

    def _unmet(self, other: Literal["stop", "restart"], *, driver: bool = True) -> tuple[str, ...]:
        failing = (w.condition for w in self._watches if not w.met and w.condition.applies_to != other)
        return tuple(c.name for c in failing if driver or c.group != "driver")


def unseen(conditions: Sequence[Condition], carried: frozenset[str], *, going_on: bool) -> tuple[str, ...]:
    """Names of the conditions whose role the buses do not carry: those on a stop, or those on its going on."""
    other = "stop" if going_on else "restart"
    return tuple(c.name for c in conditions if c.role not in carried and c.applies_to != other)
