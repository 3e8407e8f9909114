"""Pseudonyms: a vehicle's name replaced by a keyed hash on the way in, so that the store never held it."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from pathlib import Path

from fleet.store import Store
from signal_defs.errors import UsageError

_SHORTEST_KEY = 16  # bytes; below it, trying all keys is cheap


@dataclass(frozen=True, slots=True)
class Pseudonyms:
    """Names by HMAC-SHA-256 (RFC 2104, FIPS 180-4): whoever lacks the key cannot tell which name stands behind one."""

    key: bytes

    def of(self, vehicle: str) -> str:
        """The pseudonym of a name: the same for the same key, and 60 bits long, so that two never meet in a fleet."""
        return "v-" + hmac.new(self.key, vehicle.encode(), hashlib.sha256).hexdigest()[:15]

    @property
    def check(self) -> str:
        """What tells, without the key, whether another key is the same."""
        return hmac.new(self.key, b"idlewhy store key check", hashlib.sha256).hexdigest()[:16]


def read_key(path: str | Path) -> Pseudonyms:
    """The key in a file: its bytes without the line end. Raises UsageError where there are fewer than 16."""
    try:
        key = Path(path).read_bytes().rstrip(b"\r\n")
    except OSError as fault:
        raise UsageError(
            f"The key for pseudonyms cannot be read ({fault.strerror}).", where=str(path), mend="Name a file."
        ) from fault
    if len(key) < _SHORTEST_KEY:
        raise UsageError(
            f"The key for pseudonyms has {len(key)} bytes; {_SHORTEST_KEY} are needed.",
            where=str(path),
            mend="Make one, for example: python -c 'import secrets; print(secrets.token_hex(32))' > key",
        )
    return Pseudonyms(key)


def agree(store: Store, pseudonyms: Pseudonyms | None) -> None:
    """Hold a store to one way of naming vehicles: with no pseudonyms, or all by one key.

    The first add declares it in store.json. Raises UsageError for a store that was begun in the other way.
    """
    about = store.about()
    check = pseudonyms.check if pseudonyms else ""
    if not about:
        store.declare({"pseudonym_key_check": check})
        return
    declared = about.get("pseudonym_key_check", "")
    if declared == check:
        return
    if not check:
        raise UsageError(
            "This store holds pseudonyms; names would be added beside them.",
            where=store.url,
            mend="Name the key: --pseudonym-key FILE.",
        )
    raise UsageError(
        "This store was begun with another key." if declared else "This store holds plain names already.",
        where=store.url,
        mend="Use the key it was begun with." if declared else "Begin another store for pseudonyms.",
    )
