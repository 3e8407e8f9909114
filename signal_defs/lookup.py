"""Where platforms lie: a path, the folders in IDLEWHY_PLATFORMS, the user's own, the shipped ones, in this order."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from signal_defs.definition import FILE
from signal_defs.errors import DefinitionError
from signal_defs.faults import suggest

VARIABLE = "IDLEWHY_PLATFORMS"
Origin = Literal["variable", "user", "shipped"]


@dataclass(frozen=True, slots=True)
class PlatformEntry:
    """A platform that was found by looking, not read in full. fault: why its file cannot be read, else empty."""

    id: str
    title: str
    folder: Path
    origin: Origin
    version: str = ""
    fault: str = ""


def find_platform(id_or_path: str | Path, seen_from: Path | None = None) -> Path:
    """The folder of a platform. seen_from: what a relative path starts at; the working folder if None.

    Raises DefinitionError if there is none, with the ids most like it.
    """
    path = (seen_from or Path()) / id_or_path
    if path.name == FILE and path.is_file():
        return path.parent
    if (path / FILE).is_file():
        return path
    name = str(id_or_path)
    if name and name == Path(name).name:
        for _, root in _roots():
            if (root / name / FILE).is_file():
                return root / name
    if path.is_dir():
        raise DefinitionError(
            f"There is no {FILE} in this folder.", where=str(path), mend="Name the folder that holds it."
        )
    known = [entry.id for entry in list_platforms()]
    mend = suggest(name, known, f"Known: {', '.join(known)}.") + " A path to a platform folder will do as well."
    raise DefinitionError(f'There is no platform "{name}".', mend=mend)


def list_platforms() -> tuple[PlatformEntry, ...]:
    """Every platform that can be named by its id; of two with one id the first found counts."""
    found: dict[str, PlatformEntry] = {}
    for origin, root in _roots():
        if not root.is_dir():
            continue
        for folder in sorted(root.iterdir()):
            if (folder / FILE).is_file() and folder.name not in found:
                found[folder.name] = _entry(folder, origin)
    return tuple(found.values())


def _roots() -> Iterator[tuple[Origin, Path]]:
    for part in os.environ.get(VARIABLE, "").split(os.pathsep):
        if part:
            yield "variable", Path(part)
    from platformdirs import user_data_path

    yield "user", user_data_path("idlewhy", appauthor=False) / "platforms"
    yield "shipped", Path(__file__).parent / "platforms"


def _entry(folder: Path, origin: Origin) -> PlatformEntry:
    try:
        table = tomllib.loads((folder / FILE).read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError) as error:
        return PlatformEntry(folder.name, "", folder, origin, fault=str(error))
    return PlatformEntry(folder.name, str(table.get("title", "")), folder, origin, str(table.get("version", "")))
