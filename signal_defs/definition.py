"""platform.toml as text: found, parsed, and laid over the platform that it extends."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from signal_defs.errors import DefinitionError
from signal_defs.faults import Faults
from signal_defs.keys import SCHEMA, THRESHOLDS
from signal_defs.section import Section
from signal_defs.toml_lines import Keys, key_lines

FILE = "platform.toml"
MAX_BYTES = 4 * 1024 * 1024
MAX_CHAIN = 8

_AT_LINE = re.compile(r" \(at line (\d+), column (\d+)\)$")


@dataclass(frozen=True, slots=True)
class Definition:
    """The keys in force, where each stands, and what they were read from.

    texts: every platform.toml taken in, the folder's own first. bus_folders: where a bus's databases lie.
    """

    folder: Path
    table: dict[str, Any]
    lines: dict[Keys, tuple[Path, int]]
    texts: tuple[tuple[Path, bytes], ...]
    bus_folders: dict[str, Path]

    @property
    def file(self) -> Path:
        """The folder's own platform.toml."""
        return self.folder / FILE

    def top(self, faults: Faults) -> Section:
        """The whole file as one section."""
        return Section(self.table, (), "", self.lines, self.file, faults)


def read_definition(folder: Path, find: Callable[[str, Path], Path], _chain: tuple[Path, ...] = ()) -> Definition:
    """A folder's platform.toml, over that of the platform it extends.

    find: the folder of an id or path named in `extends`, seen from a folder. Raises DefinitionError: no file, no TOML,
    another schema, or platforms that extend each other.
    """
    file = folder / FILE
    data = _bytes(file)
    table = _parse(data, file)
    lines = {keys: (file, line) for keys, line in key_lines(_decode(data, file)).items()}
    _check_schema(table, lines, file)
    folders = {bus["name"]: folder for bus in _tables(table.get("bus")) if isinstance(bus.get("name"), str)}
    own = Definition(folder, table, lines, ((file, data),), folders)
    parent = table.get("extends")
    if not isinstance(parent, str):
        return own
    chain = (*_chain, folder.resolve())
    where = f"{file}, line {lines[('extends',)][1]}, extends"
    try:
        parent_folder = find(parent, folder)
    except DefinitionError as error:
        raise DefinitionError(error.what, where=where, mend=error.mend) from error
    if parent_folder.resolve() in chain or len(chain) >= MAX_CHAIN:
        raise DefinitionError(
            f"{parent} extends this platform in turn", where=where, mend="Let one of them stand by itself."
        )
    return _lay_over(read_definition(parent_folder, find, chain), own)


def _bytes(file: Path) -> bytes:
    try:
        if file.stat().st_size > MAX_BYTES:
            raise DefinitionError(
                f"is over {MAX_BYTES // 1024 // 1024} MiB", where=str(file), mend="Name the right file."
            )
        return file.read_bytes()
    except OSError as error:
        raise DefinitionError(
            f"cannot be read: {error.strerror or error}",
            where=str(file),
            mend=f"Name a folder that holds a {FILE}, or the id of a known platform.",
        ) from error


def _decode(data: bytes, file: Path) -> str:
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise DefinitionError("is not UTF-8", where=f"{file}, line {line}", mend="Save the file as UTF-8.") from error


def _parse(data: bytes, file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(_decode(data, file))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        found = _AT_LINE.search(str(error))
        where = f"{file}, line {found[1]}, column {found[2]}" if found else str(file)
        raise DefinitionError(
            f"is not TOML: {_AT_LINE.sub('', str(error))}",
            where=where,
            mend="Correct the line; see toml.io for the rules.",
        ) from error


def _check_schema(table: dict[str, Any], lines: dict[Keys, tuple[Path, int]], file: Path) -> None:
    schema = table.get("schema")
    line = f", line {lines[('schema',)][1]}" if ("schema",) in lines else ""
    if isinstance(schema, int) and not isinstance(schema, bool) and schema > SCHEMA:
        raise DefinitionError(
            f"schema {schema} is newer than this program reads ({SCHEMA})",
            where=f"{file}{line}, schema",
            mend="Use a newer idlewhy, or write the platform by the older schema.",
        )
    if schema != SCHEMA or isinstance(schema, bool):
        what = "schema is missing" if schema is None else f"schema is {schema!r}"
        raise DefinitionError(what, where=f"{file}{line}", mend=f"Write schema = {SCHEMA} as the first line.")


def _tables(value: Any) -> list[dict[str, Any]]:
    return [item for item in value if isinstance(item, dict)] if isinstance(value, list) else []


def _lay_over(parent: Definition, child: Definition) -> Definition:
    """The child's keys over the parent's: tables key by key, buses and conditions by name, all else whole."""
    table: dict[str, Any] = {}
    lines: dict[Keys, tuple[Path, int]] = {}
    merge = _Merge(parent, child, lines)
    for key in dict.fromkeys((*parent.table, *child.table)):
        if key == "extends" and key not in child.table:
            continue
        table[key] = merge.value((key,), (key,), (key,))
    folders = dict(parent.bus_folders)
    for bus in _tables(child.table.get("bus")):
        name = bus.get("name")
        if isinstance(name, str) and ("databases" in bus or name not in folders):
            folders[name] = child.folder
    return Definition(child.folder, table, lines, child.texts + parent.texts, folders)


_NAMED = {("bus",), ("idle_stop", "condition")}
_MERGED = {("signals",), ("battery",), ("idle_stop",)}


@dataclass(slots=True)
class _Merge:
    parent: Definition
    child: Definition
    lines: dict[Keys, tuple[Path, int]]

    def value(self, to: Keys, over: Keys, under: Keys) -> Any:
        """The value in force; `to`, `over` and `under` are its keys in the result, the child and the parent."""
        above, below = _get(self.child.table, over), _get(self.parent.table, under)
        if to in _NAMED and isinstance(above, list) and isinstance(below, list):
            return self._by_name(to, above, below)
        if to in _MERGED and isinstance(above, dict) and isinstance(below, dict):
            return self._table(to, over, under, above, below)
        if above is not None:
            return self._copy(to, above, self.child.lines, over)
        return self._copy(to, below, self.parent.lines, under)

    def _table(self, to: Keys, over: Keys, under: Keys, above: dict[str, Any], below: dict[str, Any]) -> dict[str, Any]:
        self._line(to, self.child.lines, over)
        dropped = _replaced(above)
        keys = [key for key in dict.fromkeys((*below, *above)) if key in above or key not in dropped]
        return {key: self.value((*to, key), (*over, key), (*under, key)) for key in keys}

    def _by_name(self, to: Keys, above: list[Any], below: list[Any]) -> list[Any]:
        self._line(to, self.child.lines, to)
        places = {item.get("name"): place for place, item in enumerate(above) if isinstance(item, dict)}
        merged: list[Any] = []
        used: set[int] = set()
        for place, item in enumerate(below):
            own = places.get(item.get("name")) if isinstance(item, dict) else None
            target = (*to, len(merged))
            if own is None:
                merged.append(self._copy(target, item, self.parent.lines, (*to, place)))
            else:
                used.add(own)
                merged.append(self._table(target, (*to, own), (*to, place), above[own], item))
        for place, item in enumerate(above):
            if place not in used:
                merged.append(self._copy((*to, len(merged)), item, self.child.lines, (*to, place)))
        return merged

    def _copy(self, to: Keys, value: Any, lines: dict[Keys, tuple[Path, int]], source: Keys) -> Any:
        self._line(to, lines, source)
        if isinstance(value, dict):
            return {key: self._copy((*to, key), item, lines, (*source, key)) for key, item in value.items()}
        if isinstance(value, list):
            return [self._copy((*to, place), item, lines, (*source, place)) for place, item in enumerate(value)]
        return value

    def _line(self, to: Keys, lines: dict[Keys, tuple[Path, int]], source: Keys) -> None:
        if source in lines:
            self.lines[to] = lines[source]


def _replaced(above: dict[str, Any]) -> set[str]:
    """Keys of the parent that a key of the child makes void: another threshold, another battery type's curve."""
    dropped = set(THRESHOLDS) if any(key in above for key in THRESHOLDS) else set()
    return dropped | ({"ocv_v"} if "type" in above else set())


def _get(table: Any, keys: Keys) -> Any:
    for key in keys:
        if isinstance(table, dict) and isinstance(key, str):
            table = table.get(key)
        elif isinstance(table, list) and isinstance(key, int) and key < len(table):
            table = table[key]
        else:
            return None
    return table
