"""Parsed databases kept between runs, keyed by content: parsing 20 000 signals takes seconds, reading them does not.

A cache never matters to a result: what cannot be read, is damaged, or was written by another version is parsed anew,
and a folder that cannot be written is left alone. Entries are JSON under the user's cache folder; IDLEWHY_CACHE names
another folder, or "off".
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import Any

from signal_defs.layout import MessageLayout, Multiplexed, SignalLayout

VARIABLE = "IDLEWHY_CACHE"
MAX_ENTRIES = 64

_MESSAGE = tuple(item.name for item in fields(MessageLayout))
_SIGNAL = tuple(item.name for item in fields(SignalLayout))


def load_cached(data: bytes, suffix: str) -> tuple[MessageLayout, ...] | None:
    """The messages of a database with these bytes, None if they are not kept or the entry is not sound."""
    folder = _folder()
    if folder is None:
        return None
    try:
        digest, _, body = (folder / _name(data, suffix)).read_bytes().partition(b"\n")
        if hashlib.sha256(body).hexdigest().encode() != digest:
            return None
        return tuple(_message(row) for row in json.loads(body))
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return None


def keep(data: bytes, suffix: str, messages: Sequence[MessageLayout]) -> None:
    """Keep the messages of a database; whatever hinders that is passed over."""
    folder = _folder()
    if folder is None:
        return
    body = json.dumps([_message_row(message) for message in messages], separators=(",", ":")).encode()
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        handle, draft = tempfile.mkstemp(dir=folder, suffix=".part")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(hashlib.sha256(body).hexdigest().encode() + b"\n" + body)
            Path(draft).replace(folder / _name(data, suffix))
        except OSError:
            Path(draft).unlink(missing_ok=True)
            raise
        _thin(folder)


def _folder() -> Path | None:
    named = os.environ.get(VARIABLE)
    if named:
        return None if named == "off" else Path(named)
    from platformdirs import user_cache_path

    return user_cache_path("idlewhy", appauthor=False) / "databases"


def _name(data: bytes, suffix: str) -> str:
    return f"{hashlib.sha256(data).hexdigest()}-{_reader()}{suffix}.json"


@cache
def _reader() -> str:
    """What the parse depends on beside the bytes: our own reading code and the version of cantools."""
    from importlib.metadata import version

    digest = hashlib.sha256(version("cantools").encode())
    here = Path(__file__).parent
    for module in sorted((*here.glob("*.py"), here.parent / "layout.py")):
        digest.update(module.read_bytes())
    return digest.hexdigest()[:16]


def _thin(folder: Path) -> None:
    """Drop the oldest entries over MAX_ENTRIES."""
    entries = sorted(folder.glob("*.json"), key=lambda path: path.stat().st_mtime)
    for entry in entries[:-MAX_ENTRIES]:
        entry.unlink(missing_ok=True)


def _message_row(message: MessageLayout) -> list[Any]:
    row = [getattr(message, name) for name in _MESSAGE]
    row[_MESSAGE.index("signals")] = [_signal_row(signal) for signal in message.signals]
    return row


def _signal_row(signal: SignalLayout) -> list[Any]:
    row = [getattr(signal, name) for name in _SIGNAL]
    row[_SIGNAL.index("choices")] = list(signal.choices.items())
    multiplexed = signal.multiplexed
    row[_SIGNAL.index("multiplexed")] = None if multiplexed is None else [multiplexed.by, multiplexed.ranges]
    return row


def _message(row: list[Any]) -> MessageLayout:
    values = dict(zip(_MESSAGE, row, strict=True))
    values["signals"] = tuple(_signal(signal) for signal in values["signals"])
    return MessageLayout(**values)


def _signal(row: list[Any]) -> SignalLayout:
    values = dict(zip(_SIGNAL, row, strict=True))
    values["choices"] = {int(raw): str(name) for raw, name in values["choices"]}
    values["invalid"] = _ranges(values["invalid"])
    if values["multiplexed"] is not None:
        by, ranges = values["multiplexed"]
        values["multiplexed"] = Multiplexed(by, _ranges(ranges))
    return SignalLayout(**values)


def _ranges(rows: list[Any]) -> tuple[tuple[int, int], ...]:
    return tuple((int(low), int(high)) for low, high in rows)
