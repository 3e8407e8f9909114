"""A platform folder from databases and logs: facts in force, proposals as comments with their reasons."""

from __future__ import annotations

import re
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from decoder.inspect import IdentifierSummary, Inspection, inspect_logs
from decoder.logs import ReadOptions
from decoder.route import UNKNOWN, MessageIndex
from idlewhy.platform_kit.behaviour import weigh_by_logs
from idlewhy.platform_kit.fields import likely_fields
from signal_defs.databases.read import SUFFIXES, database_bytes, read_database_bytes, sha256_of
from signal_defs.definition import FILE
from signal_defs.errors import UsageError
from signal_defs.layout import BusKind
from signal_defs.platform import Bus, Database
from signal_defs.scaffold import Proposals, propose_roles
from signal_defs.scaffold_text import platform_text

MAX_LISTED = 60  # identifiers of a log that are listed in a file without databases


@dataclass(frozen=True, slots=True)
class NewPlatform:
    """What was written. folder: where. notes: what to know beyond the file."""

    folder: Path
    buses: tuple[Bus, ...]
    proposals: Proposals
    notes: tuple[str, ...]


def new_platform(
    databases: Sequence[str | Path],
    logs: Sequence[str | Path] = (),
    *,
    folder: str | Path | None = None,
    platform_id: str | None = None,
    options: ReadOptions | None = None,
) -> NewPlatform:
    """Write a platform folder: the databases copied, platform.toml with every role as a commented proposal.

    folder: must not hold a platform yet; left out, the id here. Raises UsageError, DefinitionError, LogError.
    """
    paths = [Path(path) for path in databases]
    first = paths[0] if paths else Path(logs[0]) if logs else None
    if first is None:
        raise UsageError("There is nothing to begin from.", mend="Name a database with --from, or a log with --log.")
    own_id = platform_id or slug(Path(folder).name if folder else first.name.split(".")[0])
    if not re.fullmatch(r"[a-z0-9][a-z0-9._-]*", own_id):
        raise UsageError(f"The id is {own_id!r}.", mend="Use small letters, digits, -, _ and a dot.")
    target = Path(folder) if folder else Path(own_id)
    _must_be_free(target, paths)
    buses = _read_buses(paths)
    inspection = inspect_logs(logs, options=options) if logs else None
    seen = _channels(inspection, buses) if inspection else {}
    use_logs = [path for path in logs if any(seen.values())]
    notes = _notes(buses, seen, has_log=bool(logs))
    proposals = propose_roles(
        buses, (lambda found: weigh_by_logs(found, buses, use_logs, options)) if use_logs else None
    )
    remarks = _remarks(inspection, buses) if inspection else []
    likely = [] if buses else likely_fields(logs, options)
    if likely:
        remarks.append("Bits that behave as a battery's voltage and current do, for whoever writes the database:")
        remarks += [f"  {sentence}" for sentence in likely]
    text = platform_text(
        own_id, own_id, buses, proposals, folder=str(target), channels=seen, remarks=[*notes, *remarks]
    )
    _write(target, paths, text)
    return NewPlatform(target, buses, proposals, tuple(notes))


def slug(name: str) -> str:
    """A name as an id: small letters, digits, dashes."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "new"


def _must_be_free(target: Path, paths: Sequence[Path]) -> None:
    if (target / FILE).exists():
        raise UsageError(
            "There is a platform already.", where=str(target / FILE), mend="Name another folder with --out."
        )
    if target.exists() and not target.is_dir():
        raise UsageError("The folder is a file.", where=str(target), mend="Name another folder with --out.")
    names = [path.name for path in paths]
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"Two databases are called {name}.", mend="Rename one of them.")


def _read_buses(paths: Sequence[Path]) -> tuple[Bus, ...]:
    buses: list[Bus] = []
    for path in paths:
        kind: BusKind = "lin" if path.suffix.lower() in SUFFIXES["lin"] else "can"
        data = database_bytes(path)
        messages = read_database_bytes(data, path.name, kind)
        name = slug(path.stem)
        while any(bus.name == name for bus in buses):
            name += "-2"
        buses.append(Bus(name, kind, (), messages, (Database(path.name, sha256_of(data)),)))
    return tuple(buses)


def _channels(inspection: Inspection, buses: Sequence[Bus]) -> dict[str, tuple[str, ...]]:
    """For each bus the channels that carry its identifiers, most of its frames first."""
    index = MessageIndex(buses)
    counted: dict[tuple[int, str], int] = {}
    for one in (one for log in inspection.logs for one in log.identifiers):
        for number in range(len(buses)):
            if index.find(number, one.identifier, one.extended, one.lin) != UNKNOWN:
                counted[number, one.channel] = counted.get((number, one.channel), 0) + one.frames
    return {
        bus.name: tuple(
            channel
            for (own, channel), _ in sorted(counted.items(), key=lambda item: -item[1])
            if own == number and channel
        )
        or (("",) if any(own == number for own, _ in counted) else ())
        for number, bus in enumerate(buses)
    }


def _notes(buses: Sequence[Bus], seen: dict[str, tuple[str, ...]], *, has_log: bool) -> list[str]:
    notes = []
    if not buses:
        notes.append(
            "A log alone does not say what its bits mean. Needed: a DBC, KCD, SYM or ARXML file of the CAN bus, or an "
            "LDF of the LIN line; name it with --from."
        )
    elif not has_log:
        notes.append("No log was given: names, units and ranges speak, not behaviour. A log with a crank tells more.")
    notes += [
        f"The database of bus {bus.name} defines no signal: is the file whole?"
        for bus in buses
        if not any(message.signals for message in bus.messages)
    ]
    notes += [f"No identifier of bus {name} is in the logs." for name, found in seen.items() if not found]
    notes += [
        f"Buses {one} and {other} are seen on the same channel: if they are one bus, give one [[bus]] both databases."
        for place, (one, first) in enumerate(seen.items())
        for other, second in list(seen.items())[place + 1 :]
        if first[:1] == second[:1] and first
    ]
    return notes


def _remarks(inspection: Inspection, buses: Sequence[Bus]) -> list[str]:
    """What the logs hold, as lines; every identifier where there is no database."""
    lines = []
    for log in inspection.logs:
        lines.append(f"{log.name}: {log.format}, {log.frames} frames in {log.duration_s:.0f} s")
        for channel in log.channels:
            kind = "LIN" if channel.lin else "CAN"
            lines.append(
                f'  channel "{channel.name}": {kind}, {channel.identifiers} identifiers, {channel.frames} frames'
            )
        if not buses:
            lines += [_identifier(one) for one in log.identifiers[:MAX_LISTED]]
            if len(log.identifiers) > MAX_LISTED:
                lines.append(f"  and {len(log.identifiers) - MAX_LISTED} more: idlewhy inspect {log.name}")
    return lines


def _identifier(one: IdentifierSummary) -> str:
    rate = "once" if one.rate_hz is None else f"{one.rate_hz:.3g} Hz"
    low, high = one.lengths
    length = f"{low} bytes" if low == high else f"{low} to {high} bytes"
    checksum = f", {one.checksum} checksum" if one.checksum else ""
    return f'  "{one.channel}" 0x{one.identifier:X}: {rate}, {length}{checksum}'


def _write(target: Path, paths: Sequence[Path], text: str) -> None:
    try:
        target.mkdir(parents=True, exist_ok=True)
        for path in paths:
            if path.resolve() != (target / path.name).resolve():
                shutil.copyfile(path, target / path.name)
        (target / FILE).write_text(text, encoding="utf-8", newline="\n")
    except OSError as fault:
        raise UsageError(
            f"The folder cannot be written: {fault.strerror}.", where=str(target), mend="Name another with --out."
        ) from fault
