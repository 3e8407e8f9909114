"""The [signals] table: which signal plays which role."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from signal_defs.definition import Definition
from signal_defs.faults import Faults, nearest, suggest
from signal_defs.keys import SIGNAL
from signal_defs.layout import MessageLayout, SignalLayout
from signal_defs.platform import Binding, Bus
from signal_defs.roles import REQUIRED_ROLES, ROLES, Kind, Role
from signal_defs.section import Section, show
from signal_defs.units import conversion, is_known_unit

OWN_ROLE = re.compile(r"x_[a-z0-9_]+")


def read_bindings(
    definition: Definition, buses: Sequence[Bus], faults: Faults, *, required: Sequence[str] = REQUIRED_ROLES
) -> dict[str, Binding]:
    """Every role whose signal was found; what could not be bound, and a required role left out, is among the faults."""
    table = definition.table.get("signals")
    top = definition.top(faults)
    if table is None and not required:
        return {}
    if not isinstance(table, dict):
        top.fault(
            "signals" if table is not None else "",
            "no [signals] are given",
            'Write [signals] with role = "bus/message.signal".',
        )
        return {}
    signals = top.inner(table, "[signals]", "signals")
    for role in required:
        if role not in table:
            mend = f'Write {role} = "bus/message.signal"; nothing can be said without it.'
            signals.fault("", f"{role} is missing", mend)
    bindings: dict[str, Binding] = {}
    for role, value in table.items():
        binding = _read_binding(signals, role, value, buses)
        if binding is not None:
            bindings[role] = binding
    return bindings


def _read_binding(signals: Section, role: str, value: Any, buses: Sequence[Bus]) -> Binding | None:
    if role not in ROLES and not OWN_ROLE.fullmatch(role):
        mend = suggest(role, ROLES, "See the table of roles in signal_defs/README.md.")
        signals.fault(role, f"unknown role {role!r}", f'{mend} A role of your own begins with "x_".')
        return None
    if isinstance(value, str):
        value = {"from": value}
    if not isinstance(value, dict):
        signals.fault(role, f"{role} is {show(value)}", f'Write {role} = "bus/message.signal".')
        return None
    section = signals.inner(value, f"[signals] {role}", role)
    section.check_keys(SIGNAL)
    source = section.text("from", required=True)
    found = None if source is None else _find(section, source, buses)
    if found is None:
        return None
    bus, message, signal = found
    kind, unit = _kind_and_unit(role, signal, value)
    scale, offset = section.number("scale", default=1.0), section.number("offset", default=0.0)
    binding = Binding(
        role=Role(role, unit, kind, ROLES[role].meaning if role in ROLES else "a role of this platform's own"),
        bus=bus.name,
        message=message.name,
        signal=signal.name,
        scale=1.0 if scale is None else scale,
        offset=0.0 if offset is None else offset,
        sign=_sign(section, kind, unit),
        true_when=_true_when(section, kind, signal),
        invalid=_invalid(section, signal),
    )
    _check_kind(section, binding, signal)
    return binding


def _kind_and_unit(role: str, signal: SignalLayout, value: Mapping[str, Any]) -> tuple[Kind, str]:
    """What the table of roles says; for a role of one's own what the entry and the database make of it."""
    if role in ROLES:
        return ROLES[role].kind, ROLES[role].unit
    if "true_when" in value:
        return "flag", "bool"
    raw_invalid = [raw for low, high in signal.invalid for raw in (low, high)]
    if signal.choices and not set(signal.choices) <= set(raw_invalid) and not signal.unit:
        return "state", ""
    return "number", signal.unit


def _find(section: Section, source: str, buses: Sequence[Bus]) -> tuple[Bus, MessageLayout, SignalLayout] | None:
    bus_name, slash, rest = source.partition("/")
    if not slash or "." not in rest:
        section.fault("from", f"{source!r} is not bus/message.signal", 'Write it like "body/Engine.Speed".')
        return None
    bus = next((bus for bus in buses if bus.name == bus_name), None)
    if bus is None:
        names = [bus.name for bus in buses]
        if names:
            mend = suggest(bus_name, names, f"Buses: {', '.join(names)}.", 1)
            section.fault("from", f"there is no bus {bus_name!r}", mend)
        return None
    splits = [(rest[:at], rest[at + 1 :]) for at, char in enumerate(rest) if char == "."]
    for split in splits:
        for message in bus.messages:
            for signal in message.signals:
                if (message.name, signal.name) == split:
                    return bus, message, signal
    if bus.messages:
        _not_found(section, bus, *splits[0])
    return None


def _not_found(section: Section, bus: Bus, message_name: str, signal_name: str) -> None:
    messages = [message for message in bus.messages if message.name == message_name]
    if not messages:
        owners = [message.name for message in bus.messages if any(s.name == signal_name for s in message.signals)]
        otherwise = f"Messages: {_some([message.name for message in bus.messages])}."
        mend = (
            f"{signal_name} is in {' and in '.join(nearest(message_name, owners) or owners[:3])}."
            if owners
            else suggest(message_name, [message.name for message in bus.messages], otherwise)
        )
        section.fault("from", f"bus {bus.name!r} has no message {message_name!r}", mend)
        return
    names = [signal.name for message in messages for signal in message.signals]
    mend = suggest(signal_name, names, f"Signals there: {_some(names)}.")
    section.fault("from", f"message {message_name!r} has no signal {signal_name!r}", mend)


def _some(names: Sequence[str]) -> str:
    return ", ".join(names[:8]) + (", ..." if len(names) > 8 else "")


def _sign(section: Section, kind: Kind, unit: str) -> int:
    if "positive" not in section.table:
        return 1
    word = section.choice("positive", ("charge", "discharge"))
    if kind != "number" or unit != "A":
        section.fault("positive", f"positive is given for a role in {unit or 'no unit'}", "Give it for currents only.")
        return 1
    return -1 if word == "discharge" else 1


def _true_when(section: Section, kind: Kind, signal: SignalLayout) -> tuple[str | int, ...]:
    given = section.table.get("true_when")
    if given is None:
        if kind == "flag" and (signal.choices or signal.length > 1):
            listed = _some([name for _, name in sorted(signal.choices.items())])
            mend = f"Say with true_when which of them mean true{': ' + listed if listed else ', as raw values'}."
            section.fault("from", f"{signal.name} has more than a true and a false", mend)
        return ()
    values = given if isinstance(given, list) else [given]
    if kind != "flag":
        section.fault("true_when", "true_when is given for a role that is no flag", "Take true_when out.")
        return ()
    kept: list[str | int] = []
    for value in values:
        if isinstance(value, bool) or not isinstance(value, str | int):
            section.fault("true_when", f"true_when holds {show(value)}", "Write names or raw whole numbers.")
        elif isinstance(value, str) and value not in signal.choices.values():
            names = list(signal.choices.values())
            otherwise = f"Names: {_some(names)}." if names else "The database names no values: write raw whole numbers."
            section.fault("true_when", f"{signal.name} has no value {value!r}", suggest(value, names, otherwise))
        elif isinstance(value, str) or _fits(section, "true_when", value, signal):
            kept.append(value)
    return tuple(kept)


def _invalid(section: Section, signal: SignalLayout) -> tuple[int, ...]:
    given = section.table.get("invalid", [])
    if not isinstance(given, list) or any(isinstance(raw, bool) or not isinstance(raw, int) for raw in given):
        section.fault("invalid", f"invalid is {show(given)}", "Write a list of raw whole numbers, like [254, 255].")
        return ()
    for raw in given:
        _fits(section, "invalid", raw, signal)
    return tuple(given)


def _fits(section: Section, key: str, raw: int, signal: SignalLayout) -> bool:
    """Whether a signal's bits can hold this raw value; a fault where not."""
    low, high = signal.raw_limits
    if not low <= raw <= high:
        section.fault(key, f"{raw} does not fit into {signal.length} bits", "Write a raw value that can occur.")
    return low <= raw <= high


def _check_kind(section: Section, binding: Binding, signal: SignalLayout) -> None:
    role = binding.role
    if signal.is_bytes:
        section.fault("from", f"{signal.name} is a row of bytes, no value", "Name another signal.")
        return
    scaled = "scale" in section.table or "offset" in section.table
    if role.kind != "number":
        if scaled:
            key = "scale" if "scale" in section.table else "offset"
            section.fault(key, f"{role.name} is no number", "Take scale and offset out.")
        return
    if binding.scale == 0:
        section.fault("scale", "scale is 0", "Write what the physical value is multiplied by.")
    if role.name not in ROLES or not signal.unit or scaled:
        return
    known = conversion(signal.unit, role.unit)
    what = f"{signal.name} is in {signal.unit}, {role.name} in {role.unit}"
    if known is None and is_known_unit(signal.unit):
        section.fault("from", what, "Name the right signal; if the database is wrong, write scale = 1.0 to say so.")
    elif known is not None and not known.is_none:
        section.fault("from", what, f'Write {role.name} = {{ from = "{binding.source}", {known} }}.')
