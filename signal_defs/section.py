"""One table of a platform.toml, read key by key with the fault at the right line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from signal_defs.faults import Faults, Place, suggest
from signal_defs.toml_lines import Keys

Lines = Mapping[Keys, tuple[Path, int]]


@dataclass(frozen=True, slots=True)
class Section:
    """A table, where its keys stand, and where faults go. Every reader returns None for a missing or wrong value."""

    table: Mapping[str, Any]
    keys: Keys
    label: str
    lines: Lines
    file: Path
    faults: Faults

    def place(self, *inner: str | int) -> Place:
        """Where a key of this table stands; its nearest table where the key has no line."""
        keys = self.keys + inner
        for count in range(len(keys), -1, -1):
            if keys[:count] in self.lines:
                file, line = self.lines[keys[:count]]
                break
        else:
            file, line = self.file, None
        key = ".".join(str(part) for part in inner)
        label = f"{self.label} {key}".strip() if self.label else key
        return Place(file, line, label)

    def fault(self, key: str, what: str, mend: str) -> None:
        """Note a fault at a key of this table; at the table itself for the key ""."""
        self.faults.add(self.place(*([key] if key else [])), what, mend)

    def inner(self, table: Mapping[str, Any], label: str, *keys: str | int) -> Section:
        """A table in this one, under these keys."""
        return Section(table, self.keys + keys, label, self.lines, self.file, self.faults)

    def each(self, key: str, heading: str, *, named: bool = False) -> list[Section]:
        """The tables that stand under a heading such as [[golden]], called by number or by the name they give."""
        tables = self.table.get(key, [])
        if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
            self.fault(key, f"{key} is no list of tables", f"Write each as {heading}.")
            return []
        called = [f'"{table.get("name", place)}"' if named else place + 1 for place, table in enumerate(tables)]
        return [self.inner(table, f"{heading} {called[place]}", key, place) for place, table in enumerate(tables)]

    def check_keys(self, known: Sequence[str]) -> None:
        """Note every key that nothing reads."""
        for key in self.table:
            if key not in known:
                self.fault(key, f"unknown key {key!r}", suggest(key, known, f"Known here: {', '.join(known)}.", 1))

    def text(self, key: str, *, required: bool = False, default: str | None = None) -> str | None:
        """A text that is not empty."""
        value = self.table.get(key)
        if value is None:
            if required:
                self.fault("", f"{key} is missing", f'Write {key} = "...".')
            return default
        if not isinstance(value, str) or not value.strip():
            self.fault(key, f"{key} is {show(value)}, not a text", f'Write {key} = "...".')
            return default
        return value

    def choice(
        self, key: str, known: Sequence[str], *, required: bool = False, default: str | None = None
    ) -> str | None:
        """One of the known words."""
        value = self.table.get(key)
        if value is None:
            if required:
                self.fault("", f"{key} is missing", f"Write {key} = one of: {', '.join(known)}.")
            return default
        if not isinstance(value, str) or value not in known:
            otherwise = f"Write one of: {', '.join(known)}."
            mend = suggest(value, known, otherwise, 1) if isinstance(value, str) else otherwise
            self.fault(key, f"{key} is {show(value)}", mend if mend == otherwise else f"{mend} {otherwise}")
            return default
        return value

    def number(
        self,
        key: str,
        *,
        required: bool = False,
        default: float | None = None,
        low: float | None = None,
        above: float | None = None,
    ) -> float | None:
        """A finite number; at least `low`, or more than `above`."""
        value = self.table.get(key)
        if value is None:
            if required:
                self.fault("", f"{key} is missing", f"Write {key} = a number.")
            return default
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
            self.fault(key, f"{key} is {show(value)}, not a number", f"Write {key} = a number, without quotes.")
            return default
        if low is not None and value < low:
            self.fault(key, f"{key} is {show(value)}", f"Write a number that is {low:g} or more.")
            return default
        if above is not None and value <= above:
            self.fault(key, f"{key} is {show(value)}", f"Write a number above {above:g}.")
            return default
        return float(value)

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts; empty where there is none."""
        value = self.table.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.fault(key, f"{key} is {show(value)}, not a list of texts", f'Write {key} = ["...", "..."].')
            return ()
        return tuple(value)


def show(value: object) -> str:
    """A value as an error message shows it, short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."
