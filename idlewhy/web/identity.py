"""Tokens and sessions: who may do what. A token's secret is shown once and kept as an Argon2 hash."""

from __future__ import annotations

import hashlib
import hmac
import math
import re
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

from idlewhy.web.database import Database
from idlewhy.web.names import new_id
from signal_defs.errors import UsageError

Scope = Literal["read", "upload", "admin"]
SCOPES: tuple[Scope, ...] = ("read", "upload", "admin")
SESSION_S = 12 * 3600.0
_TOKEN = re.compile(r"idlewhy_([0-9a-f]{24})_([A-Za-z0-9_-]{43})")
_REMEMBERED_S = 60.0
_REMEMBERED = 1000
_LOOK_S = 2.0


@dataclass(frozen=True, slots=True)
class Caller:
    """Who calls. kind: how we know. name: unique among callers; what they own is kept under it."""

    kind: Literal["local", "token", "session", "proxy"]
    name: str
    shown: str
    scopes: frozenset[str]

    def may(self, scope: Scope) -> bool:
        return scope in self.scopes or "admin" in self.scopes


LOCAL = Caller("local", "local", "this computer", frozenset(SCOPES))


@dataclass(frozen=True, slots=True)
class Token:
    """What is known of a token; never its secret."""

    id: str
    name: str
    scopes: frozenset[str]
    created: float
    used: float | None


class Identity:
    """Tokens, sessions and the server's own secret in one store."""

    def __init__(self, database: Database) -> None:
        from argon2 import PasswordHasher

        self._database = database
        # OWASP's second choice for Argon2id: 19 MiB, two passes, one lane.
        self._hasher: Any = PasswordHasher(time_cost=2, memory_cost=19_456, parallelism=1)
        self._remembered: OrderedDict[str, tuple[str, float]] = OrderedDict()
        self._lock = threading.Lock()
        self._any, self._looked = False, -math.inf
        self._secret = self._own_secret()

    def _own_secret(self) -> bytes:
        with self._database.change() as db:
            db.execute("INSERT OR IGNORE INTO secret VALUES ('forms', ?)", (secrets.token_bytes(32),))
            return bytes(db.execute("SELECT value FROM secret WHERE name = 'forms'").fetchone()["value"])

    # ---- tokens

    def new_token(self, name: str, scopes: Iterable[str]) -> str:
        """Make a token and return it; this is the only time it is seen. Raises UsageError for an unknown scope."""
        wanted = frozenset(scopes)
        wrong = wanted - set(SCOPES)
        if wrong or not wanted:
            raise UsageError(f"There is no scope {min(wrong, default='')!r}.", mend=f"Scopes are {', '.join(SCOPES)}.")
        token_id, secret = new_id(), secrets.token_urlsafe(32)
        self._database.write(
            "INSERT INTO token (id, name, scopes, hash, created) VALUES (?, ?, ?, ?, ?)",
            *(token_id, name[:200], " ".join(sorted(wanted)), self._hasher.hash(secret), time.time()),
        )
        self._looked = -math.inf
        return f"idlewhy_{token_id}_{secret}"

    def tokens(self) -> list[Token]:
        """All tokens, the oldest first."""
        rows = self._database.every("SELECT * FROM token ORDER BY created")
        return [
            Token(row["id"], row["name"], frozenset(row["scopes"].split()), row["created"], row["used"]) for row in rows
        ]

    def has_tokens(self) -> bool:
        """Some token was made: then everybody needs one. Another process's first token is seen after two seconds."""
        now = time.monotonic()
        if now - self._looked > _LOOK_S:
            self._any, self._looked = self._database.one("SELECT 1 FROM token LIMIT 1") is not None, now
        return self._any

    def revoke(self, token_id: str) -> bool:
        """Delete a token and end its sessions; False if there is none."""
        return bool(self._database.write("DELETE FROM token WHERE id = ?", token_id))

    def caller_of_token(self, text: str) -> Caller | None:
        """Whose token this is; None if it is nobody's. Takes some 20 ms the first time: call it in a thread."""
        shape = _TOKEN.fullmatch(text)
        if not shape:
            return None
        token_id, secret = shape[1], shape[2]
        row = self._database.one("SELECT * FROM token WHERE id = ?", token_id)
        return _caller("token", row) if row is not None and self._fits(token_id, row["hash"], secret) else None

    def _fits(self, token_id: str, kept: str, secret: str) -> bool:
        """Whether the secret fits its hash; a yes is remembered for a minute, by its SHA-256."""
        from argon2.exceptions import Argon2Error, InvalidHashError

        digest = hashlib.sha256(f"{kept} {secret}".encode()).hexdigest()
        now = time.monotonic()
        with self._lock:
            found = self._remembered.get(token_id)
            if found is not None and hmac.compare_digest(found[0], digest) and now - found[1] < _REMEMBERED_S:
                return True
        try:
            self._hasher.verify(kept, secret)
        except (Argon2Error, InvalidHashError):
            return False
        with self._lock:
            self._remembered[token_id] = (digest, now)
            while len(self._remembered) > _REMEMBERED:
                self._remembered.popitem(last=False)
        self._database.write("UPDATE token SET used = ? WHERE id = ?", time.time(), token_id)
        return True

    # ---- sessions

    def begin_session(self, token_text: str) -> str | None:
        """The secret of a new session for a cookie; None if the token is nobody's."""
        caller = self.caller_of_token(token_text)
        if caller is None:
            return None
        secret = secrets.token_urlsafe(32)
        with self._database.change() as db:
            db.execute("DELETE FROM session WHERE ends < ?", (time.time(),))
            db.execute(
                "INSERT INTO session VALUES (?, ?, ?)",
                (_digest(secret), caller.name.removeprefix("token:"), time.time() + SESSION_S),
            )
        return secret

    def caller_of_session(self, secret: str) -> Caller | None:
        """Whose session this is; None if it ended or its token was revoked."""
        query = "SELECT token.* FROM session JOIN token ON token.id = session.token WHERE session.hash = ? AND ends > ?"
        row = self._database.one(query, _digest(secret), time.time())
        return None if row is None else _caller("session", row)

    def end_session(self, secret: str) -> None:
        self._database.write("DELETE FROM session WHERE hash = ?", _digest(secret))

    # ---- forms

    def form_token(self, browser: str) -> str:
        """What a form of ours carries, so that another site's form is told from it. browser: its cookie."""
        return hmac.new(self._secret, browser.encode(), hashlib.sha256).hexdigest()

    def is_form_token(self, browser: str, text: str) -> bool:
        return bool(browser) and hmac.compare_digest(self.form_token(browser).encode(), text.encode("utf-8", "replace"))


def _caller(kind: Literal["token", "session"], token: Any) -> Caller:
    return Caller(kind, f"token:{token['id']}", token["name"], frozenset(token["scopes"].split()))


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
