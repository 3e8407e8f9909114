"""What the vehicle itself says of idle-stop: inhibit bits by group, one bit without a cause, a reason by name."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np

from decoder.frames import Int64Array
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
_NO_REASON = frozenset({
    "", "0", "none", "no", "ok", "off", "noreason", "noinhibit", "notinhibited", "noinhibition", "allowed",
    "stopallowed", "released", "enabled", "available", "free", "inactive",
})  # fmt: skip
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


@dataclass(frozen=True, slots=True, eq=False)
class _Spoken:
    """A role of the vehicle's own, and the samples at which it begins to say something else than before."""

    reading: Reading
    begins: Int64Array

    def since_ns(self, index: int) -> int:
        """Since when it has said what it says in one of its samples [ns]."""
        begin = self.begins[int(np.searchsorted(self.begins, index, side="right")) - 1]
        return int(self.reading.time_ns[begin])


class VehicleWord:
    """The vehicle's own bits of one recording; empty where it sends none, or the platform judges them by conditions."""

    def __init__(self, readings: Readings, rules: IdleStopRules) -> None:
        judged = {condition.role for condition in rules.conditions}
        self._bits = [
            (spoken, role, group, name)
            for role, group, name in BITS
            if role not in judged and (spoken := _spoken(readings, role)) is not None
        ]
        self._inhibited, self._reason = (
            None if role in judged else _spoken(readings, role) for role in ("idle_stop_inhibited", "idle_stop_reason")
        )
        self.speaks = bool(self._bits) or self._inhibited is not None or self._reason is not None

    def at(self, decision_ns: int, until_ns: int, evaluated: tuple[Evaluated, ...]) -> Told:
        """What was said of the decision, up to a second after it and not beyond `until_ns` [ns]."""
        last = min(decision_ns + _SETTLES_NS, until_ns)
        reasons: list[Reason] = []
        groups: set[Group] = set()
        denied: set[Group] = set()
        for spoken, role, group, name in self._bits:
            said = _said(spoken, decision_ns, last)
            if said is None:
                continue
            if not said[0]:
                denied.add(group)
                continue
            groups.add(group)
            reasons.append(_told_reason(name, group, role, said[1]))
        named = self._named(decision_ns, last, evaluated)
        if named is not None:
            reasons = [named, *(reason for reason in reasons if reason.group != named.group)]
            groups.add(named.group)
        inhibited = None
        if self._inhibited is not None:
            said = _said(self._inhibited, decision_ns, last)
            inhibited = None if said is None else said[0]
        return Told(tuple(reasons), frozenset(groups), frozenset(denied - groups), inhibited)

    def ended(self, after_ns: int, restart_ns: int, evaluated: tuple[Evaluated, ...]) -> tuple[int, Reason] | None:
        """What the vehicle first said in (after_ns, restart_ns] against going on, and when; None where it said nothing.

        Only what was not said before counts: a bit that rises, a reason that appears.
        """
        found = []
        for spoken, role, group, name in self._bits:
            rose = _rose(spoken.reading, after_ns, restart_ns)
            if rose is not None:
                found.append((rose, _told_reason(name, group, role, rose)))
        before = self._named(after_ns, after_ns, evaluated)
        named = self._named(after_ns, restart_ns, evaluated) if before is None else None
        if named is not None:
            found.insert(0, (named.failing_since_ns, named))
        return min(found, key=lambda pair: pair[0], default=None)

    def _named(self, decision_ns: int, last_ns: int, evaluated: tuple[Evaluated, ...]) -> Reason | None:
        """The vehicle's own reason as a state: the condition of that name, or the name itself."""
        if self._reason is None:
            return None
        reading = self._reason.reading
        low, high = np.searchsorted(reading.time_ns, [decision_ns, last_ns], side="right")
        for index in range(max(int(low) - 1, 0), int(high)):
            age = decision_ns - int(reading.time_ns[index])
            if not reading.usable[index] or age > reading.limit_ns:
                continue
            label = reading.labels.get(int(reading.low[index]), f"{reading.low[index]:g}")
            if _plain(label) not in _NO_REASON:
                at_ns = max(int(reading.time_ns[index]), decision_ns)
                return _reason_named(label, at_ns, self._reason.since_ns(index), evaluated)
        return None


def _reason_named(label: str, at_ns: int, since_ns: int, evaluated: tuple[Evaluated, ...]) -> Reason:
    for one in evaluated:
        if _plain(label) in {_plain(one.condition.name), _plain(one.condition.role)}:
            return replace(one.reason(at_ns), failing_since_ns=since_ns, told_by_vehicle=True)
    fault: Group = "fault"
    group = next((group for group, words in _WORDS if any(word in label.casefold() for word in words)), fault)
    return Reason(label, group, "idle_stop_reason", label, "none", "", since_ns, told_by_vehicle=True)


def confirmed(reason: Reason) -> Reason:
    """An inferred reason that the vehicle's own word confirms."""
    return replace(reason, told_by_vehicle=True)


def _told_reason(name: str, group: Group, role: str, since_ns: int) -> Reason:
    condition = f"{name} (told by the vehicle)"
    return Reason(condition, group, role, value=True, threshold=False, unit="bool", failing_since_ns=since_ns,
                  told_by_vehicle=True)  # fmt: skip


def _said(spoken: _Spoken, decision_ns: int, last_ns: int) -> tuple[bool, int] | None:
    """Whether a bit was set at the decision or soon after, and since when; None where it is unknown all the time."""
    reading = spoken.reading
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
    return True, spoken.since_ns(first + int(true[0]))


def _spoken(readings: Readings, role: str) -> _Spoken | None:
    reading = readings.of(role)
    if reading is None:
        return None
    other = reading.low[1:] != reading.low[:-1]
    other |= reading.usable[1:] != reading.usable[:-1]
    return _Spoken(reading, np.append(0, np.flatnonzero(other) + 1))


def _rose(reading: Reading, after_ns: int, until_ns: int) -> int | None:
    """When a bit first became true in (after_ns, until_ns], coming from false."""
    low, high = np.searchsorted(reading.time_ns, [after_ns, until_ns], side="right")
    first = max(int(low) - 1, 0)
    value, usable = reading.low[first:high], reading.usable[first:high]
    rising = np.flatnonzero((value[1:] == 1.0) & (value[:-1] == 0.0) & usable[1:] & usable[:-1])
    return int(reading.time_ns[first + 1 + int(rising[0])]) if len(rising) else None


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.casefold())
