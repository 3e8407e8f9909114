"""The embedded database of one store: its tables, and connections that several processes share."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from signal_defs.errors import UsageError

SCHEMA = 1
FILE = "idlewhy-web.sqlite"
_CACHE_KIB = 128  # of each connection, and there are a hundred; the kernel keeps the file in memory anyway

# Times are seconds since 1970-01-01 UTC. `log.place` names the file under logs/ that holds the bytes.
_TABLES = """
CREATE TABLE log (
  sha256 TEXT PRIMARY KEY, place TEXT NOT NULL, name TEXT NOT NULL, bytes INTEGER NOT NULL, created REAL NOT NULL,
  look TEXT
);
CREATE TABLE upload (
  id TEXT PRIMARY KEY, owner TEXT NOT NULL, name TEXT NOT NULL, bytes INTEGER, state TEXT NOT NULL,
  sha256 TEXT, known INTEGER NOT NULL DEFAULT 0, look TEXT, created REAL NOT NULL, touched REAL NOT NULL
);
CREATE TABLE vehicle (id TEXT PRIMARY KEY, name TEXT NOT NULL UNIQUE, created REAL NOT NULL);
CREATE TABLE job (
  id TEXT PRIMARY KEY, kind TEXT NOT NULL, vehicle TEXT REFERENCES vehicle(id), platform TEXT NOT NULL,
  language TEXT NOT NULL, owner TEXT NOT NULL, created REAL NOT NULL,
  state TEXT NOT NULL, queued REAL NOT NULL, attempt INTEGER NOT NULL DEFAULT 0,
  tries INTEGER NOT NULL DEFAULT 0, worker TEXT, beat REAL,
  stage TEXT NOT NULL DEFAULT '', done INTEGER NOT NULL DEFAULT 0, total INTEGER NOT NULL DEFAULT 0,
  frames INTEGER NOT NULL DEFAULT 0, started REAL, ended REAL,
  what TEXT NOT NULL DEFAULT '', place TEXT NOT NULL DEFAULT '', mend TEXT NOT NULL DEFAULT '',
  fault TEXT NOT NULL DEFAULT '',
  summary TEXT, policy TEXT, result TEXT
);
CREATE INDEX job_waiting ON job (state, queued);
CREATE INDEX job_vehicle ON job (vehicle, created);
CREATE TABLE job_log (
  job TEXT NOT NULL REFERENCES job(id) ON DELETE CASCADE, place INTEGER NOT NULL, sha256 TEXT NOT NULL,
  name TEXT NOT NULL,
  PRIMARY KEY (job, place)
);
CREATE INDEX job_log_sha256 ON job_log (sha256);
CREATE TABLE compared (
  job TEXT NOT NULL REFERENCES job(id) ON DELETE CASCADE, side TEXT NOT NULL,
  recording TEXT NOT NULL REFERENCES job(id) ON DELETE CASCADE, PRIMARY KEY (job, side)
);
CREATE TABLE platform (
  id TEXT PRIMARY KEY, title TEXT NOT NULL, owner TEXT NOT NULL, created REAL NOT NULL, changed REAL NOT NULL,
  findings TEXT NOT NULL DEFAULT '[]', errors INTEGER NOT NULL DEFAULT 0
);
CREATE TABLE platform_file (
  platform TEXT NOT NULL REFERENCES platform(id) ON DELETE CASCADE, name TEXT NOT NULL, content BLOB NOT NULL,
  PRIMARY KEY (platform, name)
);
CREATE TABLE token (
  id TEXT PRIMARY KEY, name TEXT NOT NULL, scopes TEXT NOT NULL, hash TEXT NOT NULL, created REAL NOT NULL, used REAL
);
CREATE TABLE session (
  hash TEXT PRIMARY KEY, token TEXT NOT NULL REFERENCES token(id) ON DELETE CASCADE, ends REAL NOT NULL
);
CREATE TABLE secret (name TEXT PRIMARY KEY, value BLOB NOT NULL);
"""

# The newest jobs without sorting all of them; stores made before it get it as well.
_LATEST = "CREATE INDEX IF NOT EXISTS job_latest ON job (kind, created)"


class Database:
    """One SQLite file, a connection for each thread. Safe for several threads and several processes."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        self.path = folder / FILE
        self._local = threading.local()
        self._open: dict[threading.Thread, sqlite3.Connection] = {}
        self._lock = threading.Lock()
        self._writing = threading.Lock()  # in the order they came; SQLite itself would let them sleep and try again
        self._prepare()

    def _prepare(self) -> None:
        with self.change() as db:
            version = db.execute("PRAGMA user_version").fetchone()[0]
            if version > SCHEMA:
                raise UsageError(
                    f"The store was written by a later idlewhy (version {version}, known up to {SCHEMA}).",
                    where=str(self.path),
                    mend="Update idlewhy.",
                )
            if version == 0:
                for statement in _TABLES.split(";"):
                    db.execute(statement)
                db.execute(f"PRAGMA user_version = {SCHEMA}")
            db.execute(_LATEST)
        self.path.chmod(0o600)

    def connection(self) -> sqlite3.Connection:
        """The connection of the calling thread, for reading."""
        found: sqlite3.Connection | None = getattr(self._local, "connection", None)
        if found is None:
            found = sqlite3.connect(self.path, timeout=20.0, isolation_level=None, check_same_thread=False)
            found.row_factory = sqlite3.Row
            found.execute("PRAGMA journal_mode = WAL")
            found.execute("PRAGMA foreign_keys = ON")
            found.execute("PRAGMA secure_delete = ON")
            found.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
            self._local.connection = found
            with self._lock:
                for ended in [one for one in self._open if not one.is_alive()]:
                    self._open.pop(ended).close()
                self._open[threading.current_thread()] = found
        return found

    def one(self, query: str, *values: Any) -> Any:
        """The first row that a query finds, None if it finds none."""
        return self.connection().execute(query, values).fetchone()

    def every(self, query: str, *values: Any) -> list[sqlite3.Row]:
        """All rows that a query finds."""
        return self.connection().execute(query, values).fetchall()

    def write(self, query: str, *values: Any, lasting: bool = True) -> int:
        """One statement as a transaction of its own (see `change`); how many rows it changed."""
        with self.change(lasting=lasting) as db:
            return db.execute(query, values).rowcount

    @contextmanager
    def change(self, *, lasting: bool = True) -> Iterator[sqlite3.Connection]:
        """A transaction that writes: all of it or, if the block raises, nothing.

        lasting: it survives a loss of power; without, only the end of the process. For what is said again in a moment.
        """
        db = self.connection()
        with self._writing:
            db.execute(f"PRAGMA synchronous = {'FULL' if lasting else 'NORMAL'}")
            db.execute("BEGIN IMMEDIATE")
            try:
                yield db
            except BaseException:
                db.execute("ROLLBACK")
                raise
            db.execute("COMMIT")

    def forget(self) -> None:
        """After a deletion: what was deleted leaves the write-ahead log as well."""
        self.connection().execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def close(self) -> None:
        """Close every connection of this process."""
        with self._lock:
            for one in self._open.values():
                one.close()
            self._open.clear()
        self._local = threading.local()
