"""Platforms that were uploaded, beside the known ones: their files as they came, and what the check found in them.

The files lie in the database. Only the confined process writes them out, into a folder of its own; their names are
checked here, and so is every name that platform.toml itself asks for.
"""

from __future__ import annotations

import base64
import json
import re
import time
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from idlewhy.web.database import Database
from idlewhy.web.names import checked_id, new_id
from idlewhy.web.problems import Problem
from signal_defs.load import PlatformEntry, list_platforms

TOML = "platform.toml"
OWN = "own:"
MAX_FILES = 40
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._()-]{0,79}")
_SUFFIXES = (".toml", ".dbc", ".kcd", ".sym", ".arxml", ".ldf")

Row = dict[str, str]


@dataclass(frozen=True, slots=True)
class OwnPlatform:
    """One uploaded platform. findings: rows with code, weight, place, what, mend. errors: how many are errors."""

    id: str
    title: str
    owner: str
    changed: float
    findings: list[Row]
    errors: int

    @property
    def reference(self) -> str:
        """How a recording names it."""
        return OWN + self.id


class Platforms:
    """The platforms that one store offers."""

    def __init__(self, database: Database, max_bytes: int) -> None:
        self._database = database
        self._max_bytes = max_bytes
        self._known: tuple[PlatformEntry, ...] = ()
        self._known_at = 0.0

    def known(self) -> tuple[PlatformEntry, ...]:
        """The platforms of this installation that can be used; looked for anew every minute."""
        now = time.monotonic()
        if not self._known or now - self._known_at > 60.0:
            self._known = tuple(one for one in list_platforms() if not one.fault)
            self._known_at = now
        return self._known

    def own(self) -> list[OwnPlatform]:
        """The uploaded ones, the last changed first."""
        rows = self._database.every("SELECT * FROM platform ORDER BY changed DESC LIMIT 200")
        return [_own(row) for row in rows]

    def get(self, platform_id: str) -> OwnPlatform:
        """One uploaded platform. Raises Problem if there is none."""
        row = self._database.one("SELECT * FROM platform WHERE id = ?", checked_id(platform_id))
        if row is None:
            raise Problem("not-found", "There is no such platform; it may have been deleted.")
        return _own(row)

    def files(self, platform_id: str) -> dict[str, bytes]:
        """Its files by name, platform.toml first."""
        query = "SELECT name, content FROM platform_file WHERE platform = ? ORDER BY name != ?, name"
        return {row["name"]: bytes(row["content"]) for row in self._database.every(query, platform_id, TOML)}

    def checked_reference(self, reference: str) -> str:
        """A platform as a recording may name it. Raises Problem if there is none."""
        if reference.startswith(OWN):
            return self.get(reference.removeprefix(OWN)).reference
        if reference not in {one.id for one in self.known()}:
            raise Problem("invalid", f"There is no platform {reference[:80]!r}.", "Choose one of those listed.")
        return reference

    def title_of(self, reference: str) -> str:
        """Its title, or the reference where it is no more."""
        if reference.startswith(OWN):
            row = self._database.one("SELECT title FROM platform WHERE id = ?", reference.removeprefix(OWN))
            return str(row["title"]) if row else "a platform that was deleted"
        return next((one.title for one in self.known() if one.id == reference), reference)

    def task_part(self, reference: str) -> dict[str, Any]:
        """What the confined process is told: the id of a known platform, or the files of an uploaded one."""
        if not reference.startswith(OWN):
            return {"platform": reference}
        files = self.files(reference.removeprefix(OWN))
        if not files:
            raise Problem("gone", "The platform was deleted.", "Choose another one.")
        return {"platform": reference, "definition": in_base64(files)}

    def save(self, files: Mapping[str, bytes], owner: str, platform_id: str | None = None) -> str:
        """Keep a new platform, or add files to one that is there; returns its id. Raises Problem for what cannot be."""
        check_names(files)
        kept = self.files(platform_id) if platform_id else {}
        everything = {**kept, **files}
        if len(everything) > MAX_FILES:
            raise Problem("too-large", f"A platform may have {MAX_FILES} files.")
        if sum(map(len, everything.values())) > self._max_bytes:
            raise Problem("too-large", f"A platform may have {self._max_bytes} bytes in all.")
        made = platform_id or new_id()
        now = time.time()
        with self._database.change() as db:
            if platform_id is None:
                db.execute(
                    "INSERT INTO platform (id, title, owner, created, changed) VALUES (?, ?, ?, ?, ?)",
                    (made, "", owner, now, now),
                )
            db.executemany(
                "INSERT OR REPLACE INTO platform_file (platform, name, content) VALUES (?, ?, ?)",
                [(made, name, content) for name, content in files.items()],
            )
            db.execute(
                "UPDATE platform SET changed = ?, title = ? WHERE id = ?",
                (now, _title(everything[TOML]) or "A platform without a title", made),
            )
        return made

    def drop_file(self, platform_id: str, name: str) -> None:
        """Take a database out of a platform."""
        query = "DELETE FROM platform_file WHERE platform = ? AND name = ? AND name != ?"
        if not self._database.write(query, platform_id, name, TOML):
            raise Problem("not-found", "This platform has no such database.")

    def note_findings(self, platform_id: str, findings: list[Row]) -> None:
        """Keep what the check found."""
        errors = sum(one["weight"] == "error" for one in findings)
        query = "UPDATE platform SET findings = ?, errors = ? WHERE id = ?"
        self._database.write(query, json.dumps(findings[:500]), errors, platform_id)

    def delete(self, platform_id: str) -> None:
        """Delete a platform; recordings that used it keep their reports."""
        self._database.write("DELETE FROM platform WHERE id = ?", platform_id)
        self._database.forget()


def in_base64(files: Mapping[str, bytes]) -> dict[str, str]:
    """Files as JSON takes them."""
    return {name: base64.b64encode(content).decode("ascii") for name, content in files.items()}


def check_names(names: Iterable[str]) -> None:
    """Raises Problem for a file that no platform can hold."""
    for name in names:
        if not _NAME.fullmatch(name) or not name.lower().endswith(_SUFFIXES) or ".." in name:
            raise Problem(
                "invalid",
                f"A platform cannot hold a file called {name[:80]!r}.",
                f"Use letters, digits, spaces, dots and dashes, and one of the endings {', '.join(_SUFFIXES)}.",
            )
        if name.lower().endswith(".toml") and name != TOML:
            raise Problem("invalid", f"{name!r} is no part of a platform.", f"Call the description {TOML}.")


def outside(files: Mapping[str, bytes], known: tuple[PlatformEntry, ...]) -> list[Row]:
    """What platform.toml asks for that is not among the files: paths are not followed on a server.

    Returns findings as the check's own; empty where all is well or the file is no TOML, which the check will say.
    """
    table = _table(files.get(TOML, b""))
    found = []
    parent = table.get("extends")
    if parent is not None and parent not in {one.id for one in known}:
        mend = "Name the id of a known one; a path is not followed here."
        found.append(_row("extends", f"{parent!r} is no known platform", mend))
    buses = table.get("bus")
    for bus in buses if isinstance(buses, list) else []:
        listed = bus.get("databases") if isinstance(bus, dict) else None
        for name in map(str, listed if isinstance(listed, list) else ()):
            if name not in files:
                mend = f"Upload {name[:80]}."
                if not _NAME.fullmatch(name):
                    mend = "Name a file that was uploaded, without a path."
                place = f'[[bus]] "{bus.get("name", "")}", databases'
                found.append(_row(place, f"{name[:200]!r} was not uploaded", mend))
    return found


def _row(place: str, what: str, mend: str) -> Row:
    return {"code": "outside", "weight": "error", "place": f"{TOML}, {place}", "what": what, "mend": mend}


def _table(content: bytes) -> dict[str, Any]:
    try:
        return tomllib.loads(content[: 4 << 20].decode("utf-8-sig").replace("\r\n", "\n"))
    except (ValueError, RecursionError):
        return {}


def _title(content: bytes) -> str:
    title = _table(content).get("title")
    return title[:200] if isinstance(title, str) else ""


def _own(row: Any) -> OwnPlatform:
    kept = {name: row[name] for name in OwnPlatform.__slots__}
    return OwnPlatform(**{**kept, "findings": json.loads(row["findings"])})
