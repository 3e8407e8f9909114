"""Where a store lies: a local folder, or an object store through fsspec. Names are "table/part.parquet".

A name is either there as a whole or not at all: a local file is written under another name, flushed to the disk and
renamed; an object store shows an object only when all of it has arrived.
"""

from __future__ import annotations

import os
import time
import uuid
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from signal_defs.errors import LogError, UsageError

_HALF = "half"  # folder of files being written, beside the tables so that a rename stays on one disk


@dataclass(frozen=True, slots=True)
class Entry:
    """One file of a store. age_s: since it was written [s]."""

    name: str
    age_s: float


class LocalFolder:
    """A folder on this machine, made when first written to."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.url = str(folder)

    def entries(self, folder: str) -> list[Entry]:
        """Files of one folder, by name; none where the folder does not exist."""
        found = []
        now = time.time()
        try:
            with os.scandir(self.folder / folder) as listing:
                for item in listing:
                    with suppress(FileNotFoundError):  # deleted since it was listed
                        if item.is_file():
                            found.append(Entry(f"{folder}/{item.name}", now - item.stat().st_mtime))
        except FileNotFoundError:
            return []
        return sorted(found, key=lambda entry: entry.name)

    def open(self, name: str) -> Any:
        """A file to read, seekable, closed by the caller. Raises FileNotFoundError."""
        return (self.folder / name).open("rb")

    def write(self, name: str, content: bytes) -> None:
        """Put a file there whole, in place of one of that name."""
        target = self.folder / name
        half = self.folder / _HALF / f"{uuid.uuid4().hex}.tmp"
        try:
            half.parent.mkdir(parents=True, exist_ok=True)
            target.parent.mkdir(parents=True, exist_ok=True)
            try:
                with half.open("wb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
                half.replace(target)
            finally:
                half.unlink(missing_ok=True)
        except OSError as fault:
            raise LogError(
                f"The store could not be written ({fault.strerror or fault}).",
                where=str(target),
                mend="Make room or name another store, then add again: what is whole already is kept.",
            ) from fault

    def delete(self, names: Iterable[str]) -> None:
        """Remove files; one that is not there is no fault."""
        for name in names:
            (self.folder / name).unlink(missing_ok=True)


class ObjectStore:
    """The same where fsspec knows a URL, such as s3://bucket/folder or memory://folder."""

    def __init__(self, url: str) -> None:
        try:
            import fsspec
        except ImportError as fault:
            raise needs_extra("A store elsewhere than in a local folder") from fault
        self.url = url.rstrip("/")
        self._fs, root = fsspec.core.url_to_fs(self.url)
        self._root = str(root).rstrip("/")

    def entries(self, folder: str) -> list[Entry]:
        self._fs.invalidate_cache()
        try:
            listing = self._fs.ls(f"{self._root}/{folder}", detail=True)
        except FileNotFoundError:
            return []
        now = time.time()
        found = [
            Entry(f"{folder}/{item['name'].rsplit('/', 1)[-1]}", now - _written(item, now))
            for item in listing
            if item["type"] == "file" and not item["name"].endswith("/")
        ]
        return sorted(found, key=lambda entry: entry.name)

    def open(self, name: str) -> Any:
        return self._fs.open(f"{self._root}/{name}", "rb")

    def write(self, name: str, content: bytes) -> None:
        self._fs.pipe_file(f"{self._root}/{name}", content)

    def delete(self, names: Iterable[str]) -> None:
        for name in names:
            with suppress(FileNotFoundError):
                self._fs.rm_file(f"{self._root}/{name}")


Place = LocalFolder | ObjectStore


def _written(item: dict[str, Any], now: float) -> float:
    """When an object was written [s since 1970]; now where the place does not say."""
    for key in ("LastModified", "last_modified", "created", "mtime"):
        if key in item:
            value = item[key]
            return float(value.timestamp()) if hasattr(value, "timestamp") else float(value)
    return now


def open_place(url: str | Path) -> Place:
    """A local folder, or what fsspec finds under a URL with "://". Raises UsageError for an empty name."""
    text = str(url)
    if not text:
        raise UsageError("No store is named.", mend="Name a folder, or a URL such as s3://bucket/folder.")
    if text.startswith("file://"):
        return LocalFolder(Path(text.removeprefix("file://")))
    return ObjectStore(text) if "://" in text else LocalFolder(Path(text).absolute())


def needs_extra(what: str) -> UsageError:
    """The error for a part of the fleet's work that the bare installation does not bring."""
    return UsageError(
        f"{what} needs libraries that are not installed.",
        mend='Install them with the extra: pip install "idlewhy[fleet]"',
    )
