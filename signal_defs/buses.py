"""The [[bus]] tables: buses, their databases read."""

from __future__ import annotations

from pathlib import Path
from typing import cast

from signal_defs.databases.read import SUFFIXES, database_bytes, read_database_bytes, sha256_of
from signal_defs.definition import Definition
from signal_defs.errors import DefinitionError
from signal_defs.faults import Faults, nearest
from signal_defs.keys import BUS
from signal_defs.layout import BusKind, MessageLayout
from signal_defs.platform import Bus, Database
from signal_defs.section import Section, show

KINDS = ("can", "lin")


def read_buses(definition: Definition, faults: Faults) -> tuple[Bus, ...]:
    """Every bus that could be read; what could not is among the faults."""
    tables = definition.table.get("bus")
    top = definition.top(faults)
    if not isinstance(tables, list) or not tables:
        top.fault(
            "bus" if tables is not None else "", "no [[bus]] is given", "Write a [[bus]] with name, kind and databases."
        )
        return ()
    buses: list[Bus] = []
    for place, table in enumerate(tables):
        if not isinstance(table, dict):
            top.fault("bus", f"a bus is {show(table)}, not a table", "Write each bus as a [[bus]] table.")
            continue
        label = f'[[bus]] "{table.get("name", place)}"'
        section = top.inner(table, label, "bus", place)
        bus = _read_bus(section, definition)
        if bus is None:
            continue
        if any(other.name == bus.name for other in buses):
            section.fault("name", f"a second bus is called {bus.name!r}", "Give every bus a name of its own.")
            continue
        buses.append(bus)
    return tuple(buses)


def _read_bus(section: Section, definition: Definition) -> Bus | None:
    section.check_keys(BUS)
    name = section.text("name", required=True)
    kind = cast("BusKind | None", section.choice("kind", KINDS, required=True))
    channels = section.texts("channels")
    names = section.texts("databases")
    if not names and not section.table.get("databases"):
        section.fault("", "databases is missing", 'Write databases = ["file.dbc"], or .ldf for lin.')
    if name is not None and ("/" in name or not name.strip()):
        section.fault("name", f"the bus name {name!r} holds a slash", "Use letters, digits, - and _.")
        return None
    if name is None or kind is None:
        return None
    folder = definition.bus_folders.get(name, definition.folder)
    messages: list[MessageLayout] = []
    databases: list[Database] = []
    for database in names:
        read = _read_database(section, folder, database, kind)
        if read is not None:
            databases.append(read[0])
            messages.extend(read[1])
    return Bus(name, kind, channels, tuple(messages), tuple(databases))


def _read_database(
    section: Section, folder: Path, name: str, kind: BusKind
) -> tuple[Database, tuple[MessageLayout, ...]] | None:
    path = folder / name
    if not path.resolve().is_relative_to(folder.resolve()):
        section.fault("databases", f"{name} lies outside the platform folder", "Copy the database into the folder.")
        return None
    if not path.is_file():
        section.fault("databases", f"there is no {name} in {folder}", _other_files(folder, name, kind))
        return None
    try:
        data = database_bytes(path)
        return Database(name, sha256_of(data)), read_database_bytes(data, name, kind)
    except DefinitionError as error:
        section.faults.take(section.place("databases"), error)
        return None


def _other_files(folder: Path, name: str, kind: BusKind) -> str:
    there = sorted(path.name for path in folder.iterdir() if path.suffix.lower() in SUFFIXES[kind])
    near = nearest(name, there, 1)
    if near:
        return f"Did you mean {near[0]}?"
    if there:
        return f"The folder holds: {', '.join(there[:5])}."
    return "Copy the database into the folder."
