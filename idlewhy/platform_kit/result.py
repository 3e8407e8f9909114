"""Which file each part of a platform comes from, where one extends another."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from signal_defs.definition import Definition
from signal_defs.load import load_definition

Origins = Mapping[tuple[str, str], str]  # ("role" | "condition" | "bus" | "battery", name) -> folder's name and line


def origins_of(which: str | Path) -> Origins:
    """The origins of every bus, role, condition and of the battery."""
    definition = load_definition(which)
    table = definition.table
    places: dict[tuple[str, str], str] = {}
    for kind, keys in (("bus", ("bus",)), ("condition", ("idle_stop", "condition"))):
        listed: Any = table
        for key in keys:
            listed = listed.get(key, {})
        for place, one in enumerate(listed or ()):
            places[kind, str(one.get("name"))] = _place(definition, (*keys, place))
    for role in table.get("signals", {}):
        places["role", role] = _place(definition, ("signals", role))
    for key in table.get("battery", {}):
        places["battery", key] = _place(definition, ("battery", key))
    return places


def _place(definition: Definition, keys: tuple[str | int, ...]) -> str:
    """Folder and line of a key: the deepest of its own keys that has a line of the nearest file."""
    own = [at for name, at in definition.lines.items() if name[: len(keys)] == keys]
    if not own:
        return "-"
    nearest = min(own, key=lambda at: [file for file, _ in definition.texts].index(at[0]))
    return f"{nearest[0].parent.name}, line {nearest[1]}"
