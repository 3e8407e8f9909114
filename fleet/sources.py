"""What to add: logs found in folders and by patterns, each told its vehicle and platform."""

from __future__ import annotations

import fnmatch
import glob
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from fleet.manifest import ManifestRow
from fleet.places import needs_extra
from signal_defs.errors import UsageError

_SETTINGS = {".json", ".toml", ".yaml", ".yml", ".dbc", ".ldf"}
_NO_LOGS = _SETTINGS | {".html", ".md", ".parquet", ".png", ".svg", ".pdf", ".py"}


@dataclass(frozen=True, slots=True)
class Task:
    """One recording to make: its logs, in order of their names, the vehicle and the platform."""

    vehicle: str
    platform: str
    logs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Unplaced:
    """A log that no vehicle or platform could be told for, and why."""

    log: str
    why: str


def find_logs(places: Iterable[str], *, leave_out: Iterable[Path] = ()) -> list[str]:
    """Logs in files, folders (with the folders in them), patterns and object-store URLs; each once, by name.

    In a folder, hidden files and files that are plainly something else are left out. leave_out: files not to be taken.
    Raises UsageError for a place where there is nothing.
    """
    found: dict[str, None] = {}
    unwanted = {path.resolve() for path in leave_out}
    for place in places:
        logs = _remote(place) if "://" in place else _local(place)
        logs = [log for log in logs if "://" in log or Path(log).resolve() not in unwanted]
        if not logs:
            raise UsageError("There is no log here.", where=place, mend="Name a log, a folder, or a pattern in quotes.")
        found.update(dict.fromkeys(logs))
    return list(found)


def _local(place: str) -> list[str]:
    path = Path(place)
    if path.is_dir():
        inside = (one for one in path.rglob("*") if one.is_file())
        return sorted(str(one) for one in inside if _may_be_log(one.relative_to(path)))
    if path.is_file():
        return [place]
    return sorted(one for one in glob.glob(place, recursive=True) if Path(one).is_file())  # noqa: PTH207 - a pattern


def _may_be_log(path: Path) -> bool:
    return not any(part.startswith(".") for part in path.parts) and path.suffix.lower() not in _NO_LOGS


def _remote(place: str) -> list[str]:
    try:
        import fsspec
    except ImportError as fault:
        raise needs_extra("Reading logs from an object store") from fault
    fs, root = fsspec.core.url_to_fs(place)
    scheme = place.partition("://")[0]
    found = fs.glob if any(sign in root for sign in "*?[") else fs.find  # find gives a file itself
    names = found(root)
    return sorted(f"{scheme}://{str(name).lstrip('/')}" for name in names if _may_be_log(Path(Path(str(name)).name)))


def tasks_of(
    logs: Sequence[str],
    *,
    manifest: Sequence[ManifestRow] = (),
    manifest_folder: Path | None = None,
    pattern: str = "",
    vehicle: str = "",
    platform: str = "",
    together: bool = False,
) -> tuple[list[Task], list[Unplaced]]:
    """Tell every log its vehicle and platform, and put logs of one recording together.

    The vehicle: `vehicle` where given, else as the manifest's `logs` say, else the field {vehicle} of the pattern, else
    the manifest's vehicle whose name stands in the path, else the log's name up to its first dot. The platform: the
    manifest's, else `platform`. together: all logs of a vehicle are one recording; else each log is one, but those of
    one vehicle with the same {recording} in the pattern.
    """
    by_name = {row.vehicle: row for row in manifest}
    reader = _pattern(pattern) if pattern else None
    groups: dict[tuple[str, str, str], list[str]] = {}
    unplaced = []
    for log in logs:
        fields = _fields(reader, log)
        name = vehicle or _listed(log, manifest, manifest_folder) or fields.get("vehicle") or _named(log, by_name)
        if not name:
            if reader is not None:
                unplaced.append(Unplaced(log, "Its path does not fit the pattern, and no manifest names its vehicle."))
                continue
            name = Path(log).name.split(".")[0]
        row = by_name.get(name)
        its_platform = (row.platform if row else "") or platform
        if not its_platform:
            unplaced.append(Unplaced(log, f"No platform is given for {name}."))
            continue
        recording = "" if together else fields.get("recording") or log
        groups.setdefault((name, its_platform, recording), []).append(log)
    tasks = [Task(name, chosen, tuple(sorted(paths))) for (name, chosen, _), paths in sorted(groups.items())]
    return tasks, unplaced


def _pattern(pattern: str) -> re.Pattern[str]:
    """A path pattern with {vehicle}, {recording} and * as a regular expression for the end of a path."""
    if "{vehicle}" not in pattern:
        raise UsageError(
            "The pattern does not say where the vehicle's name is.",
            where=pattern,
            mend='For example "{vehicle}/*.blf".',
        )
    words = re.escape(pattern)
    for field in ("vehicle", "recording"):
        words = words.replace(re.escape(f"{{{field}}}"), f"(?P<{field}>[^/]+?)", 1)
    words = words.replace(r"\*", "[^/]*").replace(r"\?", "[^/]")
    try:
        return re.compile(f"(?:^|/){words}$")
    except re.error as fault:
        raise UsageError(
            f"The pattern cannot be used ({fault}).", where=pattern, mend="Name each field once."
        ) from fault


def _fields(reader: re.Pattern[str] | None, log: str) -> dict[str, str]:
    found = reader.search(Path(log).as_posix() if "://" not in log else log) if reader else None
    return found.groupdict() if found else {}


def _listed(log: str, manifest: Sequence[ManifestRow], folder: Path | None) -> str:
    """The vehicle whose patterns in the manifest name this log."""
    for row in manifest:
        for words in row.logs:
            whole = words if folder is None or "://" in words else str(folder / words)
            if fnmatch.fnmatch(log, words) or fnmatch.fnmatch(str(Path(log).absolute()), str(Path(whole).absolute())):
                return row.vehicle
    return ""


def _named(log: str, by_name: dict[str, ManifestRow]) -> str:
    """The manifest's vehicle whose name stands in the path, set apart by other signs; the longest, nearest the end."""
    parts = [*Path(log).parts]
    for part in reversed(parts):
        names = [name for name in by_name if re.search(rf"(?<![0-9A-Za-z]){re.escape(name)}(?![0-9A-Za-z])", part)]
        if names:
            return max(names, key=len)
    return ""
