"""What speaks for and against one signal playing one role, from its name, unit and range alone."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache

from signal_defs.layout import BusKind, SignalLayout
from signal_defs.roles import ROLES, Role
from signal_defs.scaffold_habits import BATTERY, HABITS, Habit
from signal_defs.text import Text
from signal_defs.units import Conversion, conversion, is_known_unit

STRONG, FAIR = 9.0, 6.0  # points; what they are made of stands beside each reason below, common practice, no source
SIGN_UNKNOWN = Text("nothing tells its sign: confirm it with a log that holds a crank")
_GERMAN = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue"})


@dataclass(frozen=True, slots=True)
class Candidate:
    """A signal that may play a role. points: how much speaks for it; reasons: what does, and what speaks against it.

    keys: what platform.toml needs beside the signal: scale, offset, positive, true_when, invalid.
    """

    role: Role
    bus: str
    message: str
    signal: SignalLayout
    points: float
    reasons: tuple[Text, ...]
    keys: Mapping[str, object] = field(default_factory=dict)

    @property
    def source(self) -> str:
        """As platform.toml writes it."""
        return f"{self.bus}/{self.message}.{self.signal.name}"

    @property
    def strength(self) -> str:
        """In one word."""
        return "strong" if self.points >= STRONG else "fair" if self.points >= FAIR else "weak"

    def more(self, points: float, reason: Text, **keys: object) -> Candidate:
        """The same with one more reason."""
        return replace(self, points=self.points + points, reasons=(*self.reasons, reason), keys={**self.keys, **keys})


@lru_cache(maxsize=65536)
def normal(name: str) -> str:
    """A name as words: "UBatt_Klemme30" becomes "u batt klemme30"; umlauts are written out."""
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", name.translate(_GERMAN)[:200])
    return " ".join(re.findall(r"[a-z0-9%]+", spaced.lower()))


def judge(role_name: str, bus: str, kind: BusKind, message: str, signal: SignalLayout) -> Candidate | None:
    """The candidate, or None where nothing speaks for the signal."""
    role, habit = ROLES[role_name], HABITS[role_name]
    if signal.is_bytes or signal.is_multiplexer or not _is_of_kind(role, signal):
        return None
    name = normal(signal.name)
    if habit.never and re.search(habit.never, name):
        return None
    known = conversion(signal.unit, role.unit) if role.kind == "number" and signal.unit else None
    if role.kind == "number" and signal.unit and known is None and is_known_unit(signal.unit):
        return None  # a unit of another quantity
    start = Candidate(role, bus, message, signal, 0.0, ())
    named = _by_name(start, habit, name, kind, known)
    if named is None:
        return None
    if role.kind == "number":
        named = _by_range(_by_unit(named, known), habit, known)
        return _sign(named, name) if role_name == "battery_current" else named
    return _true_when(named, habit, name) if role.kind == "flag" else named


def _is_of_kind(role: Role, signal: SignalLayout) -> bool:
    if role.kind == "number":
        return signal.is_float or signal.length >= 4
    if role.kind == "flag":
        return not signal.unit.strip() and not signal.is_float and signal.length <= 4
    return not signal.is_float and 2 <= signal.length <= 8 and (bool(signal.choices) or not signal.unit.strip())


def _by_name(start: Candidate, habit: Habit, name: str, kind: BusKind, known: Conversion | None) -> Candidate | None:
    """The subject in the signal's name, its message's or its comment; the quantity there or in the unit."""
    message, comment = normal(start.message), normal(start.signal.comment)
    found = start
    if hit := re.search(habit.subject, name):
        found = found.more(4, Text('its name says "{words}"', {"words": hit.group().strip()}))
    elif hit := re.search(habit.subject, comment):
        found = found.more(3, Text('its comment says "{words}"', {"words": hit.group().strip()}))
    elif (hit := re.search(habit.subject, f"{message} {name}")) and hit.end() > len(message):
        found = found.more(3, Text('message and name say "{words}"', {"words": hit.group().strip()}))
    elif (hit := re.search(habit.subject, message)) and habit.quantity:
        found = found.more(3, Text('its message\'s name says "{words}"', {"words": hit.group().strip()}))
    elif habit.subject == BATTERY and kind == "lin":
        found = found.more(1, Text("it is on a LIN line, as battery sensors are; nothing names the battery"))
    else:
        return None
    if not habit.quantity:
        return replace(found, points=found.points + 2)
    if hit := re.search(habit.quantity, name):
        return (
            found.more(3, Text('and "{words}"', {"words": hit.group().strip()}))
            if hit.group()
            else found.more(1, Text("no other word is needed"))
        )
    if hit := re.search(habit.quantity, comment):
        return found.more(2, Text('and its comment "{words}"', {"words": hit.group().strip()}))
    return found.more(1, Text("its unit stands for the quantity")) if known is not None else None


def _by_unit(found: Candidate, known: Conversion | None) -> Candidate:
    unit = found.signal.unit
    if known is None:
        if unit.strip():
            return found.more(
                -2, Text('its unit "{unit}" is not known; {wanted} is taken', {"unit": unit, "wanted": found.role.unit})
            )
        return found.more(-1, Text("it has no unit; {wanted} is taken", {"wanted": found.role.unit}))
    found = found.more(3, Text("its unit is {unit}", {"unit": unit}))
    if known.is_none:
        return found
    return replace(
        found, keys={**found.keys, "scale": known.scale, **({"offset": known.offset} if known.offset else {})}
    )


def _by_range(found: Candidate, habit: Habit, known: Conversion | None) -> Candidate:
    """Whether the signal can hold what the role needs, and what its top value would mean."""
    signal = found.signal
    if signal.is_float or signal.length > 53:
        return found
    raw_low, raw_high = signal.raw_limits
    ends = sorted(raw * signal.scale + signal.offset for raw in (raw_low, raw_high))
    bounded = signal.minimum is not None and signal.maximum is not None and signal.minimum < signal.maximum
    if bounded:
        assert signal.minimum is not None
        assert signal.maximum is not None
        top = raw_high * signal.scale + signal.offset
        if top > signal.maximum + abs(signal.scale) and not signal.invalid:
            said = Text("raw {raw} lies above its range and is taken as not available", {"raw": raw_high})
            found = found.more(0, said, invalid=[raw_high])
        ends = [max(ends[0], signal.minimum), min(ends[1], signal.maximum)]
    scale, offset = (known.scale, known.offset) if known else (1.0, 0.0)
    low, high = sorted(end * scale + offset for end in ends)
    said = Text("it can be {low:g} to {high:g} {unit}", {"low": low, "high": high, "unit": found.role.unit})
    if habit.covers is None:
        return found
    least, most = habit.covers
    fits = low <= least and high >= most
    if found.role.name == "battery_current":
        fits = fits or (low <= -most and high >= -least)  # discharge may be what counts as positive
    if not fits:
        return found.more(-3, Text("but it can only be {low:g} to {high:g} {unit}", dict(said.values)))
    if habit.most is not None and high > habit.most:
        return found.more(-2, said)
    return found.more(1, said)


def _sign(found: Candidate, name: str) -> Candidate:
    if re.search(r"discharg|entlad", name):
        return found.more(0, Text("its name says that discharge is positive"), positive="discharge")
    if re.search(r"charg|laden|ladestrom", name):
        return found.more(0, Text("its name says that charge is positive"), positive="charge")
    return found.more(0, SIGN_UNKNOWN, positive="charge")


def _true_when(found: Candidate, habit: Habit, name: str) -> Candidate | None:
    """Which values mean true: by their names, else 1, or 0 where the signal's name is the opposite."""
    signal = found.signal
    opposite = bool(habit.false_name and re.search(habit.false_name, name))
    names = {raw: normal(word) for raw, word in sorted(signal.choices.items())}
    told = {raw: word for raw, word in names.items() if not any(low <= raw <= high for low, high in signal.invalid)}
    true = [
        signal.choices[raw]
        for raw, word in told.items()
        if re.search(habit.true or "$^", word) and not re.search(habit.false, word)
    ]
    if true and len(true) < max(len(told), 2):
        return found.more(2, Text("its values have names: {names}", {"names": ", ".join(true)}), true_when=true)
    if told and signal.length > 1:
        listed = ", ".join(list(signal.choices.values())[:6])
        raw = [value for value in told if value] or [1]
        return found.more(
            -1, Text("which of its values mean true is not told: {names}", {"names": listed}), true_when=raw[:1]
        )
    if signal.length == 1 and not signal.choices and not opposite:
        return found.more(1, Text("it is one bit; 1 is taken as true"))
    raw_true = 0 if opposite else 1
    said = (
        "its name is the opposite: {raw} is taken as true"
        if opposite
        else "its values have no names: {raw} is taken as true"
    )
    return found.more(0, Text(said, {"raw": raw_true}), true_when=[raw_true])
