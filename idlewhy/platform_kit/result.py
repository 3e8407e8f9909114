"""Which file each part of a platform comes from, where one extends another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.markup import escape

from signal_defs.definition import Definition
from signal_defs.load import load_definition


@dataclass(frozen=True, slots=True)
class Origins:
    """("role" | "condition" | "bus" | "battery", name) -> folder's name and line."""

    places: Mapping[tuple[str, str], str]

    def of(self, kind: str, name: str, wanted: Sequence[str]) -> list[str]:
        """The place as a cell of a terminal's table; none where the column is not wanted."""
        return [escape(self.places.get((kind, name), "-"))] if wanted else []

    def rows(self) -> list[tuple[str, str, str]]:
        """(kind, name, place) of everything."""
        return [(kind, name, place) for (kind, name), place in self.places.items()]


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
    return Origins(places)


def _place(definition: Definition, keys: tuple[str | int, ...]) -> str:
    """Folder and line of a key: the deepest of its own keys that has a line of the nearest file."""
    own = [at for name, at in definition.lines.items() if name[: len(keys)] == keys]
    if not own:
        return "-"
    nearest = min(own, key=lambda at: [file for file, _ in definition.texts].index(at[0]))
    return f"{nearest[0].parent.name}, line {nearest[1]}"
