"""Collects what is wrong with a definition, so that one run tells all of it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from signal_defs.errors import DefinitionError, DefinitionFaultsError

MAX_COMPARED = 3000  # names that one wrong word is compared with; more would take seconds


@dataclass(frozen=True, slots=True)
class Place:
    """A key in a platform.toml: the file, its line (None if unknown), and the key as written in the file."""

    file: Path
    line: int | None
    key: str

    def __str__(self) -> str:
        line = "" if self.line is None else f", line {self.line}"
        return f"{self.file}{line}" + (f", {self.key}" if self.key else "")


@dataclass(slots=True)
class Faults:
    """All faults found so far."""

    found: list[tuple[Place, DefinitionError]] = field(default_factory=list)

    def add(self, place: Place, what: str, mend: str) -> None:
        """Note one fault at a key."""
        self.found.append((place, DefinitionError(what, where=str(place), mend=mend)))

    def take(self, place: Place, error: DefinitionError) -> None:
        """Note a fault that a reader of a database raised, at the key that names the database."""
        where = f"{place}, {error.where}" if error.where else str(place)
        self.found.append((place, DefinitionError(error.what, where=where, mend=error.mend)))

    def raise_if_any(self) -> None:
        """Raise DefinitionFaultsError with all of them, in the order of the file."""
        if self.found:
            ordered = sorted(self.found, key=lambda fault: fault[0].line or 0)
            raise DefinitionFaultsError([error for _, error in ordered])


def nearest(word: str, known: Iterable[str], count: int = 3) -> list[str]:
    """The known words most like `word`, best first; case does not matter. Empty where nothing is near."""
    by_lower: dict[str, str] = {}
    known = list(known)
    if len(known) > MAX_COMPARED:
        known = [name for name in known if name[:1].lower() == word[:1].lower()][:MAX_COMPARED]
    for name in known:
        by_lower.setdefault(name.lower(), name)
    found = difflib.get_close_matches(word.lower(), by_lower, n=count, cutoff=0.5)
    if not found:
        return []
    best = _likeness(word, found[0])
    return [by_lower[name] for name in found if _likeness(word, name) > best - 0.2]


def _likeness(word: str, name: str) -> float:
    return difflib.SequenceMatcher(None, name, word.lower()).ratio()


def suggest(word: str, known: Iterable[str], otherwise: str, count: int = 3) -> str:
    """Ask "Did you mean ...?" with the nearest words, or `otherwise` where none is near."""
    near = nearest(word, known, count)
    return f"Did you mean {' or '.join(near)}?" if near else otherwise
