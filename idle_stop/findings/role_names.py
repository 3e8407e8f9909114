"""What the roles named in findings are called; the faces translate these words as any other sentence."""

from __future__ import annotations

from signal_defs.text import Text

_NAMES = {
    "alternator_current": Text("generator current"),
    "alternator_voltage": Text("generator voltage"),
    "battery_current": Text("battery current"),
    "battery_voltage": Text("battery voltage"),
    "board_voltage": Text("voltage at a control unit"),
    "engine_speed": Text("engine speed"),
    "vehicle_speed": Text("vehicle speed"),
}


def role_name(role: str) -> Text:
    """The role as a person calls it; one that is not in the table with blanks for its underscores."""
    return _NAMES.get(role) or Text("{name}", {"name": role.removeprefix("x_").replace("_", " ")})
