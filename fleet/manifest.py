"""A manifest: a CSV table of the fleet's vehicles, their platform, battery, depot, workshop visits and logs."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from signal_defs.errors import DefinitionError, DefinitionFaultsError, UsageError

COLUMNS = ("vehicle", "platform", "battery", "depot", "visits", "logs")
_VISIT_KINDS = ("visit", "battery", "coding", "reset")


@dataclass(frozen=True, slots=True)
class Visit:
    """A day in the workshop. kind: visit, or what it changed: battery, coding, reset."""

    day: date
    kind: str


@dataclass(frozen=True, slots=True)
class ManifestRow:
    """One vehicle. platform, battery, depot: empty where not given. logs: patterns, relative to the manifest."""

    vehicle: str
    platform: str = ""
    battery: str = ""
    depot: str = ""
    visits: tuple[Visit, ...] = ()
    logs: tuple[str, ...] = ()


def read_manifest(path: str | Path) -> tuple[ManifestRow, ...]:
    """Read a manifest: UTF-8, headings in the first row, fields set apart by comma, semicolon or tab.

    Only `vehicle` is required. visits: days with what was done, set apart by "|",
    such as "2025-03-02 battery|2025-05-11". logs: patterns set apart by "|". Raises DefinitionFaultsError with every
    fault and its line.
    """
    file = Path(path)
    try:
        text = file.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as fault:
        raise UsageError(
            f"The manifest cannot be read ({fault}).", where=str(file), mend="Save it as UTF-8 CSV."
        ) from fault
    head = text.partition("\n")[0]
    delimiter = max(",;\t", key=head.count)
    lines = csv.DictReader(text.splitlines(), delimiter=delimiter, skipinitialspace=True)
    faults = _wrong_headings(file, lines.fieldnames or ())
    rows: dict[str, ManifestRow] = {}
    for cells in lines:
        where = f"{file}, line {lines.line_num}"
        try:
            row = _row({str(key).strip(): (value or "").strip() for key, value in cells.items() if key}, where)
        except DefinitionError as fault:
            faults.append(fault)
            continue
        if row.vehicle in rows:
            faults.append(DefinitionError(f"{row.vehicle} has two rows.", where=where, mend="Keep one row a vehicle."))
        rows[row.vehicle] = row
    if faults:
        raise DefinitionFaultsError(faults)
    return tuple(rows.values())


def _wrong_headings(file: Path, headings: Sequence[str]) -> list[DefinitionError]:
    where, known = f"{file}, line 1", ", ".join(COLUMNS)
    names = [name.strip() for name in headings]
    faults = [
        DefinitionError(f"There is no column {name!r} in a manifest.", where=where, mend=f"Columns: {known}.")
        for name in names
        if name and name not in COLUMNS
    ]
    if "vehicle" not in names:
        faults.append(DefinitionError("The column vehicle is missing.", where=where, mend=f"Columns: {known}."))
    return faults


def _row(cells: dict[str, str], where: str) -> ManifestRow:
    if not cells.get("vehicle"):
        raise DefinitionError("A row names no vehicle.", where=where, mend="Fill the column vehicle or remove the row.")
    return ManifestRow(
        vehicle=cells["vehicle"],
        platform=cells.get("platform", ""),
        battery=cells.get("battery", ""),
        depot=cells.get("depot", ""),
        visits=tuple(_visit(words, where) for words in _split(cells.get("visits", ""))),
        logs=tuple(_split(cells.get("logs", ""))),
    )


def _split(words: str) -> list[str]:
    return [part.strip() for part in words.split("|") if part.strip()]


def _visit(words: str, where: str) -> Visit:
    day, _, kind = words.partition(" ")
    kind = kind.strip() or "visit"
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", day) or kind not in _VISIT_KINDS:
        raise DefinitionError(
            f"{words!r} is no visit.",
            where=where,
            mend=f"Write the day and what was done, such as 2025-03-02 battery; known: {', '.join(_VISIT_KINDS)}.",
        )
    try:
        return Visit(date.fromisoformat(day), kind)
    except ValueError as fault:
        raise DefinitionError(f"{day} is no day.", where=where, mend="Write year-month-day.") from fault
