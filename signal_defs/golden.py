"""The [[golden]] tables: frames with the role values that they must give."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from signal_defs.definition import Definition
from signal_defs.faults import Faults, suggest
from signal_defs.keys import GOLDEN
from signal_defs.platform import Binding, Bus, Golden
from signal_defs.section import Section, show

NOT_AVAILABLE = "not available"


def read_golden(
    definition: Definition, bindings: Mapping[str, Binding], buses: Sequence[Bus], faults: Faults
) -> tuple[Golden, ...]:
    """Every golden frame that could be read."""
    read = (_read_one(section, bindings, buses) for section in definition.top(faults).each("golden", "[[golden]]"))
    return tuple(golden for golden in read if golden is not None)


def _read_one(section: Section, bindings: Mapping[str, Binding], buses: Sequence[Bus]) -> Golden | None:
    section.check_keys(GOLDEN)
    bus = section.choice("bus", [bus.name for bus in buses], required=True)
    identifier = section.table.get("identifier")
    if isinstance(identifier, bool) or not isinstance(identifier, int) or not 0 <= identifier < 1 << 29:
        section.fault("identifier", f"identifier is {show(identifier)}", "Write the frame's identifier, like 0x0A0.")
        identifier = None
    data = _payload(section)
    roles = section.table.get("roles")
    if not isinstance(roles, dict) or not roles:
        section.fault("roles", "roles is missing", "Write roles = { battery_voltage = 12.6 }.")
        return None
    written = {keys[1] for keys in section.lines if len(keys) > 1 and keys[0] == "signals"}
    for role, value in roles.items():
        if role not in bindings and role not in written:
            section.fault(
                "roles", f"[signals] has no {role}", suggest(role, bindings, "Name roles that [signals] has.")
            )
        elif isinstance(value, list | dict):
            section.fault("roles", f"{role} is {show(value)}", "Write a number, true, false or a text.")
    if bus is None or identifier is None or data is None:
        return None
    values = {role: None if value == NOT_AVAILABLE else value for role, value in roles.items()}
    note = section.text("note", default="")
    return Golden(bus, identifier, data, values, note or "")


def _payload(section: Section) -> bytes | None:
    text = section.text("data", required=True)
    if text is None:
        return None
    try:
        data = bytes.fromhex(text)
    except ValueError:
        data = b""
    if not 0 < len(data) <= 64:
        section.fault("data", f"data is {show(text)}", 'Write the payload in hex, like "0A FF 30", 1 to 64 bytes.')
        return None
    return data
