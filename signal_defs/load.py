"""From a platform's id or folder to a `Platform`: read, validated, every fault told at once."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from pathlib import Path

from signal_defs.bindings import read_bindings
from signal_defs.buses import read_buses
from signal_defs.conditions import read_battery, read_rules
from signal_defs.definition import Definition, read_definition
from signal_defs.faults import Faults
from signal_defs.golden import read_golden
from signal_defs.keys import TOP
from signal_defs.lookup import PlatformEntry, find_platform, list_platforms
from signal_defs.platform import UNKNOWN_BATTERY, Bus, IdleStopRules, Platform
from signal_defs.protection import read_protections
from signal_defs.roles import REQUIRED_ROLES

__all__ = ["PlatformEntry", "build_platform", "find_platform", "list_platforms", "load_definition", "load_platform"]

ID = re.compile(r"[a-z0-9][a-z0-9._-]*")


def load_platform(id_or_path: str | Path, *, whole: bool = True) -> Platform:
    """A platform by id, folder, or path of its platform.toml.

    whole: all that an analysis needs; else what decoding does: buses, those roles that are bound, protections. Battery
    and idle-stop are not looked at then, and may be missing or wrong. Raises DefinitionError if there is none or its
    file is no TOML of our schema, DefinitionFaultsError with all that is wrong in it otherwise.
    """
    faults = Faults()
    platform = build_platform(load_definition(id_or_path), faults, whole=whole)
    faults.raise_if_any()
    assert platform is not None
    return platform


def load_definition(id_or_path: str | Path) -> Definition:
    """The keys in force for a platform, with those of the platforms it extends. Raises DefinitionError."""
    return read_definition(find_platform(id_or_path), find_platform)


def build_platform(definition: Definition, faults: Faults, *, whole: bool = True) -> Platform | None:
    """The platform that the keys in force describe; what is wrong is added to `faults`, None if little is left.

    whole: see `load_platform`.
    """
    top = definition.top(faults)
    top.check_keys(TOP)
    platform_id = top.text("id", required=True)
    if platform_id is not None and not ID.fullmatch(platform_id):
        top.fault("id", f"id is {platform_id!r}", "Use small letters, digits, -, _ and a dot.")
    title = top.text("title", required=True)
    version = top.text("version", default="")
    sources = top.texts("sources")
    top.text("extends")
    buses = read_buses(definition, faults)
    bindings = read_bindings(definition, buses, faults, required=REQUIRED_ROLES if whole else ())
    battery = read_battery(definition, faults) if whole else UNKNOWN_BATTERY
    rules = read_rules(definition, bindings, buses, faults) if whole else IdleStopRules()
    golden = read_golden(definition, bindings, buses, faults) if whole else ()
    protections = read_protections(definition, buses, faults)
    if platform_id is None or title is None or battery is None:
        return None
    return Platform(
        id=platform_id,
        title=title,
        buses=buses,
        bindings=bindings,
        battery=battery,
        idle_stop=rules,
        version=version or "",
        sha256=_sha256(definition, buses),
        folder=definition.folder,
        sources=sources,
        golden=golden,
        extends=tuple(str(file.parent) for file, _ in definition.texts[1:]),
        protections=protections,
    )


def _sha256(definition: Definition, buses: Sequence[Bus]) -> str:
    """Over every platform.toml taken in and every database, each by its own hash, in a fixed order."""
    digest = hashlib.sha256()
    for _, data in definition.texts:
        digest.update(hashlib.sha256(data).digest())
    for bus in buses:
        for database in bus.databases:
            digest.update(f"{bus.name}/{database.name}:{database.sha256}\n".encode())
    return digest.hexdigest()
