"""Names and identifiers: what people call things, and the random names under which they are kept."""

from __future__ import annotations

import re
import secrets
import unicodedata

from idlewhy.web.problems import Problem

ID = re.compile(r"[0-9a-f]{24}")
NAME_CHARACTERS = 200


def new_id() -> str:
    """A random name of 96 bits; nothing of it can be guessed and no part comes from a user."""
    return secrets.token_hex(12)


def checked_id(text: str) -> str:
    """The same, if it has the shape of an id; else there can be no such thing."""
    if not ID.fullmatch(text):
        raise Problem("not-found", "There is nothing under this address.")
    return text


def log_name(text: str) -> str:
    """What a log is called on pages: the last part of a path of any system, without signs that cannot be seen.

    It is never used as the name of a file.
    """
    last = re.split(r"[/\\]", _visible(text))[-1].strip()
    return last[:NAME_CHARACTERS] or "log"


def vehicle_name(text: str) -> str:
    """A vehicle's name as given, trimmed. Raises Problem if it is too long."""
    name = " ".join(_visible(text).split())
    if len(name) > NAME_CHARACTERS:
        raise Problem("invalid", f"The vehicle's name is longer than {NAME_CHARACTERS} characters.")
    return name


def _visible(text: str) -> str:
    """Without control, format, surrogate and unassigned characters, in composed form."""
    composed = unicodedata.normalize("NFC", text)
    return "".join(sign for sign in composed if unicodedata.category(sign) not in {"Cc", "Cf", "Cs", "Cn", "Co"})
