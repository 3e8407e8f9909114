"""What the vehicle itself says of idle-stop: inhibit bits by group, one bit without a cause, a reason by name."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np

from idle_stop.account import Reason
from idle_stop.conditions import Evaluated
from idle_stop.readings import Reading, Readings
from signal_defs.platform import Group, IdleStopRules

# Which groups of conditions an inhibit bit speaks for.
BITS: tuple[tuple[str, Group, str], ...] = (
    ("idle_stop_inhibit_battery", "electrical", "battery"),
    ("idle_stop_inhibit_engine", "engine", "engine"),
    ("idle_stop_inhibit_comfort", "comfort", "climate"),
    ("idle_stop_inhibit_safety", "safety", "safety"),
)
_SETTLES_NS = 1_000_000_000  # a bit may follow the decision by one slow cycle; common practice, no source
_NO_REASON = frozenset(
    {
        "",
        "0",
        "none",
        "no",
        "ok",
        "off",
        "noreason",
        "noinhibit",
        "notinhibited",
        "allowed",
        "released",
        "enabled",
        "available",
        "noinhibition",
        "free",
        "inactive",
        "stopallowed",
    }
)
# Words in a vehicle's own reason that name the group; common practice, no source.
_WORDS: tuple[tuple[Group, tuple[str, ...]], ...] = (
    ("electrical", ("batt", "soc", "charge", "charging", "volt", "current", "electr", "alternator", "generator")),
    ("comfort", ("climate", "cabin", "defrost", "blower", "heater", "heating", "cooling", "comfort", "compressor")),
    ("safety", ("hood", "bonnet", "door", "belt", "vacuum", "steer", "slope", "gradient", "roll", "trailer", "brake")),
    ("driver", ("driver", "switch", "pedal", "gear", "clutch", "button")),
    ("engine", ("engine", "coolant", "oil", "catalyst", "regeneration", "temperature", "starter", "particle")),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Told:
    """What the vehicle said at one decision.

    reasons: what it named. groups: that it said inhibit. denied: groups that it said do not inhibit.
    inhibited: its bit without a cause; None where it says nothing.
    """

    reasons: tuple[Reason, ...] = ()
    groups: frozenset[Group] = frozenset()
    denied: frozenset[Group] = frozenset()
    inhibited: bool | None = None


class VehicleWord:
    """The vehicle's own bits of one recording; empty where it sends none."""

    def __init__(self, readings: Readings, rules: IdleStopRules) -> None:
        self._bits = [(readings.of(role), role, group, name) for role, group, name in BITS]
        self._inhibited = readings.of("idle_stop_inhibited")
        self._reason = readings.of("idle_stop_reason")
        judged = {condition.role for condition in rules.conditions}
        self._judged = judged
        self.speaks = (
            any(reading is not None for reading, *_ in self._bits)
            or self._inhibited is not None
            or self._reason is not None
        )

    def at(self, decision_ns: int, until_ns: int, evaluated: tuple[Evaluated, ...]) -> Told:
        """What was said of the decision, up to a second after it and not beyond `until_ns` [ns]."""
        last = min(decision_ns + _SETTLES_NS, until_ns)
        reasons: list[Reason] = []
        groups: set[Group] = set()
        denied: set[Group] = set()
        for reading, role, group, name in self._bits:
            said = None if reading is None or role in self._judged else _said(reading, decision_ns, last)
            if said is None:
                continue
            if not said[0]:
                denied.add(group)
                continue
            groups.add(group)
            reasons.append(_told_reason(f"{name} (told by the vehicle)", group, role, said=True, since_ns=said[1]))
        named = self._named(decision_ns, last, evaluated)
        if named is not None:
            reasons.insert(0, named)
            groups.add(named.group)
        inhibited = None
        if self._inhibited is not None and "idle_stop_inhibited" not in self._judged:
            said = _said(self._inhibited, decision_ns, last)
            inhibited = None if said is None else said[0]
        return Told(tuple(reasons), frozenset(groups), frozenset(denied - groups), inhibited)

    def ended(self, after_ns: int, restart_ns: int, evaluated: tuple[Evaluated, ...]) -> tuple[int, Reason] | None:
        """What the vehicle first said in (after_ns, restart_ns] against going on, and when; None where it said nothing.

        Only what was not said before counts: a bit that rises, a reason that appears.
        """
        found = []
        for reading, role, group, name in self._bits:
            rose = None if reading is None or role in self._judged else _rose(reading, after_ns, restart_ns)
            if rose is not None:
                reason = _told_reason(f"{name} (told by the vehicle)", group, role, said=True, since_ns=rose)
                found.append((rose, reason))
        before = self._named(after_ns, after_ns, evaluated)
        named = self._named(after_ns, restart_ns, evaluated) if before is None else None
        if named is not None:
            found.insert(0, (named.failing_since_ns, named))
        return min(found, key=lambda pair: pair[0], default=None)

    def _named(self, decision_ns: int, last_ns: int, evaluated: tuple[Evaluated, ...]) -> Reason | None:
        """The vehicle's own reason as a state: the condition of that name, or the name itself."""
        reading = self._reason
        if reading is None or "idle_stop_reason" in self._judged:
            return None
        low, high = np.searchsorted(reading.time_ns, [decision_ns, last_ns], side="right")
        for index in range(max(int(low) - 1, 0), int(high)):
            age = decision_ns - int(reading.time_ns[index])
            if not reading.usable[index] or age > reading.limit_ns:
                continue
            label = reading.labels.get(int(reading.low[index]), f"{reading.low[index]:g}")
            if _plain(label) not in _NO_REASON:
                return _reason_named(label, max(int(reading.time_ns[index]), decision_ns), reading, index, evaluated)
        return None


def _reason_named(label: str, at_ns: int, reading: Reading, index: int, evaluated: tuple[Evaluated, ...]) -> Reason:
    since = index
    while since > 0 and reading.low[since - 1] == reading.low[index] and reading.usable[since - 1]:
        since -= 1
    since_ns = int(reading.time_ns[since])
    for one in evaluated:
        if _plain(label) in {_plain(one.condition.name), _plain(one.condition.role)}:
            return replace(one.reason(at_ns), failing_since_ns=since_ns, told_by_vehicle=True)
    fault: Group = "fault"
    group = next((group for group, words in _WORDS if any(word in label.casefold() for word in words)), fault)
    return Reason(label, group, "idle_stop_reason", label, "none", "", since_ns, told_by_vehicle=True)


def confirmed(reason: Reason) -> Reason:
    """An inferred reason that the vehicle's own word confirms."""
    return replace(reason, told_by_vehicle=True)


def _told_reason(condition: str, group: Group, role: str, *, said: bool, since_ns: int) -> Reason:
    return Reason(condition, group, role, said, threshold=not said, unit="bool", failing_since_ns=since_ns,
                  told_by_vehicle=True)  # fmt: skip


def _said(reading: Reading, decision_ns: int, last_ns: int) -> tuple[bool, int] | None:
    """Whether a bit was set at the decision or soon after, and since when; None where it is unknown all the time."""
    low, high = np.searchsorted(reading.time_ns, [decision_ns, last_ns], side="right")
    first = max(int(low) - 1, 0)
    usable = reading.usable[first:high].copy()
    if len(usable) and decision_ns - int(reading.time_ns[first]) > reading.limit_ns:
        usable[0] = False
    if not usable.any():
        return None
    true = np.flatnonzero(usable & (reading.low[first:high] == 1.0))
    if not len(true):
        return False, decision_ns
    since = first + int(true[0])
    while since > 0 and reading.usable[since - 1] and reading.low[since - 1] == 1.0:
        since -= 1
    return True, int(reading.time_ns[since])


def _rose(reading: Reading, after_ns: int, until_ns: int) -> int | None:
    """When a bit first became true in (after_ns, until_ns], coming from false."""
    low, high = np.searchsorted(reading.time_ns, [after_ns, until_ns], side="right")
    first = max(int(low) - 1, 0)
    value, usable = reading.low[first:high], reading.usable[first:high]
    rising = np.flatnonzero((value[1:] == 1.0) & (value[:-1] == 0.0) & usable[1:] & usable[:-1])
    return int(reading.time_ns[first + 1 + int(rising[0])]) if len(rising) else None


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.casefold())
