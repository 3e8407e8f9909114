"""One door for every database: the file's bytes in, message layouts out."""

from __future__ import annotations

import hashlib
from pathlib import Path

from signal_defs.databases.cache import keep, load_cached
from signal_defs.databases.can_database import FORMATS, read_can_database
from signal_defs.databases.ldf import read_ldf
from signal_defs.errors import DefinitionError
from signal_defs.layout import BusKind, MessageLayout

SUFFIXES: dict[BusKind, tuple[str, ...]] = {"can": tuple(FORMATS), "lin": (".ldf",)}
MAX_BYTES = 48 * 1024 * 1024


def read_database(path: Path, kind: BusKind) -> tuple[MessageLayout, ...]:
    """The messages of one database file.

    Raises DefinitionError: missing, of the wrong kind, too large, or unreadable.
    """
    return read_database_bytes(database_bytes(path), path.name, kind)


def database_bytes(path: Path) -> bytes:
    """The bytes of a database file. Raises DefinitionError if there is none, or more than MAX_BYTES."""
    try:
        if path.stat().st_size > MAX_BYTES:
            raise DefinitionError(
                f"is over {MAX_BYTES // 1024 // 1024} MiB", where=str(path), mend="Export the messages that you need."
            )
        return path.read_bytes()
    except OSError as error:
        raise DefinitionError(
            f"cannot be read: {error.strerror or error}", where=str(path), mend="Check the name and the access rights."
        ) from error


def read_database_bytes(data: bytes, name: str, kind: BusKind) -> tuple[MessageLayout, ...]:
    """The messages in a database's bytes; `name` tells the format and is what errors call it."""
    suffix = Path(name).suffix.lower()
    if suffix not in SUFFIXES[kind]:
        known = ", ".join(end[1:].upper() for end in SUFFIXES[kind])
        raise DefinitionError(
            f"a {kind.upper()} bus is described by {known}, not by {suffix or 'a file without suffix'}",
            where=name,
            mend="Give the bus the kind that fits, or name another database.",
        )
    if suffix == ".ldf":
        return read_ldf(decode_text(data), name)
    kept = load_cached(data, suffix)
    if kept is not None:
        return kept
    messages = read_can_database(decode_text(data), suffix, name)
    keep(data, suffix, messages)
    return messages


def decode_text(data: bytes) -> str:
    """Text of a database: by its byte order mark, else UTF-8, else Windows' Western code page, else Latin-1."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1")


def sha256_of(data: bytes) -> str:
    """SHA-256 in hex."""
    return hashlib.sha256(data).hexdigest()
