"""Logs on their way in: bytes streamed to disk and hashed as they come, taken up again where they broke off.

The bytes of an upload lie in one file under a random name; how long that file is says how much has arrived, so that a
server killed at any moment loses nothing it has acknowledged. The name a user gave is a word in the database only.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import time
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from idlewhy.web.database import Database
from idlewhy.web.names import checked_id, log_name, new_id
from idlewhy.web.problems import Problem
from idlewhy.web.settings import Settings

if TYPE_CHECKING:
    from hashlib import _Hash
    from sqlite3 import Row

_HASHES_KEPT = 2000
UNUSED_S = 2 * 86_400.0  # an upload that nobody continues or uses is deleted after this time


@dataclass(frozen=True, slots=True)
class Upload:
    """One upload. bytes: announced length, None while it is not known. known: this log was here before.

    look: JSON of what was seen in it so far (format, time span), or None.
    """

    id: str
    owner: str
    name: str
    bytes: int | None
    state: Literal["receiving", "complete"]
    sha256: str | None
    known: bool
    look: str | None


@dataclass(slots=True)
class _Running:
    """The hash of the first `offset` bytes."""

    digest: _Hash
    offset: int = 0


class Writing:
    """An upload that this request alone may write to, until the block that opened it ends."""

    def __init__(self, handle: int, running: _Running, bound: int) -> None:
        self._handle = handle
        self._running = running
        self._bound = bound

    @property
    def offset(self) -> int:
        return self._running.offset

    def add(self, data: bytes) -> None:
        """Append; raises Problem if it grows past the announced or allowed length, or the disk is full."""
        if self.offset + len(data) > self._bound:
            raise Problem("too-large", f"More bytes came than the {self._bound} that were announced or are allowed.")
        view = memoryview(data)
        while view:
            try:
                written = os.pwrite(self._handle, view, self._running.offset)
            except OSError as error:
                raise Problem("disk-full", f"The log could not be written: {error.strerror}.") from error
            self._running.digest.update(view[:written])
            self._running.offset += written
            view = view[written:]


class Uploads:
    """All uploads of one store."""

    def __init__(self, database: Database, settings: Settings) -> None:
        self._database = database
        self._settings = settings
        self.folder = settings.folder / "logs"
        self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._hashes: OrderedDict[str, _Running] = OrderedDict()

    def create(self, owner: str, name: str, size: int | None) -> Upload:
        """Begin an upload. size: its length if the sender knows it."""
        bound = self._settings.max_upload_bytes
        if size is not None and size > bound:
            raise Problem("too-large", f"The log has {size} bytes; {bound} are allowed.", "Split or compress the log.")
        free = shutil.disk_usage(self.folder).free
        if free - (size or 0) < self._settings.keep_free_bytes:
            raise Problem(
                "disk-full", "There is no room for this log on the server.", "Delete recordings, then try again."
            )
        now = time.time()
        upload = Upload(new_id(), owner, log_name(name), size, "receiving", None, False, None)
        os.close(os.open(self.folder / upload.id, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        self._database.write(
            "INSERT INTO upload (id, owner, name, bytes, state, created, touched) VALUES (?, ?, ?, ?, ?, ?, ?)",
            *(upload.id, owner, upload.name, size, "receiving", now, now),
        )
        return upload

    def get(self, upload_id: str, owner: str | None) -> Upload:
        """One upload. owner: whose it must be; None for anyone's. Raises Problem if there is none."""
        row = self._database.one("SELECT * FROM upload WHERE id = ?", checked_id(upload_id))
        if row is None or (owner is not None and row["owner"] != owner):
            raise Problem("not-found", "There is no such upload; it may have been deleted because it was not used.")
        return _upload(row)

    def offset(self, upload: Upload) -> int:
        """Bytes that have arrived."""
        if upload.state == "complete":
            assert upload.bytes is not None
            return upload.bytes
        try:
            return (self.folder / upload.id).stat().st_size
        except FileNotFoundError:
            raise Problem("gone", "This upload was deleted.") from None

    @contextmanager
    def write(self, upload: Upload, at: int | None) -> Iterator[Writing]:
        """Append to an upload from byte `at`, which must be where it ends; None for wherever that is."""
        if upload.state != "receiving":
            raise Problem("conflict", "This upload is complete.")
        path = self.folder / upload.id
        try:
            handle = os.open(path, os.O_RDWR | os.O_CLOEXEC)
        except FileNotFoundError:
            raise Problem("gone", "This upload was deleted.") from None
        try:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise Problem(
                    "locked", "Another request writes to this upload.", "Ask for its offset, then go on."
                ) from None
            end = os.fstat(handle).st_size
            if at is not None and at != end:
                raise Problem(
                    "offset-mismatch", f"{end} bytes are here; the request starts at {at}.", "Go on from there."
                )
            bound = self._settings.max_upload_bytes if upload.bytes is None else upload.bytes
            running = self._hash_of(upload.id, handle, end)
            yield Writing(handle, running, bound)
        finally:
            os.close(handle)
            query = "UPDATE upload SET touched = ? WHERE id = ?"
            self._database.write(query, time.time(), upload.id, lasting=False)

    def _hash_of(self, upload_id: str, handle: int, end: int) -> _Running:
        """The running hash; made anew from the disk where this process does not have it."""
        found = self._hashes.get(upload_id)
        if found is None or found.offset != end:
            found = _Running(hashlib.sha256())
            while found.offset < end and (piece := os.pread(handle, 1 << 20, found.offset)):
                found.digest.update(piece)
                found.offset += len(piece)
        self._hashes[upload_id] = found
        self._hashes.move_to_end(upload_id)
        while len(self._hashes) > _HASHES_KEPT:
            self._hashes.popitem(last=False)
        return found

    def finish(self, upload_id: str) -> Upload:
        """Close an upload all of whose bytes are here; the same log that was here before is kept only once.

        When this returns, the log is on disk and in the database. Finishing twice is harmless.
        """
        upload = self.get(upload_id, None)
        if upload.state == "complete":
            return upload
        with self.write(upload, None) as writing:
            if upload.bytes is not None and writing.offset != upload.bytes:
                raise Problem(
                    "conflict", f"{writing.offset} of {upload.bytes} bytes have arrived.", "Send the rest first."
                )
            size = writing.offset
            os.fsync(writing._handle)  # noqa: SLF001  # its maker
            sha256 = writing._running.digest.hexdigest()  # noqa: SLF001
        with self._database.change() as db:
            here = db.execute("SELECT place, look FROM log WHERE sha256 = ?", (sha256,)).fetchone()
            if here is None:
                db.execute(
                    "INSERT INTO log (sha256, place, name, bytes, created) VALUES (?, ?, ?, ?, ?)",
                    (sha256, upload.id, upload.name, size, time.time()),
                )
            db.execute(
                "UPDATE upload SET state = 'complete', bytes = ?, sha256 = ?, known = ?, look = ? WHERE id = ?",
                (size, sha256, here is not None, here["look"] if here else None, upload.id),
            )
        if here is not None and here["place"] != upload.id:
            (self.folder / upload.id).unlink(missing_ok=True)
        self._hashes.pop(upload.id, None)
        return self.get(upload_id, None)

    def set_length(self, upload: Upload, size: int) -> Upload:
        """The length of an upload that was begun without one."""
        if upload.bytes is not None and upload.bytes != size:
            raise Problem("conflict", "The length of this upload is known already, and it is another.")
        if size > self._settings.max_upload_bytes or size < self.offset(upload):
            raise Problem("too-large", f"The length {size} does not fit.")
        self._database.write("UPDATE upload SET bytes = ? WHERE id = ?", size, upload.id)
        return self.get(upload.id, None)

    def note_look(self, upload_id: str, look: str, *, head_only: bool) -> None:
        """Keep what was seen in the log. head_only: in its first part; of no interest once all of it is here."""
        with self._database.change(lasting=False) as db:
            if head_only:
                db.execute("UPDATE upload SET look = ? WHERE id = ? AND state = 'receiving'", (look, upload_id))
                return
            db.execute("UPDATE upload SET look = ? WHERE id = ?", (look, upload_id))
            db.execute(
                "UPDATE log SET look = ? WHERE sha256 = (SELECT sha256 FROM upload WHERE id = ?)", (look, upload_id)
            )

    def delete(self, upload: Upload) -> None:
        """Forget an upload; a log that a recording uses stays."""
        self._database.write("DELETE FROM upload WHERE id = ?", upload.id)
        if upload.state == "receiving":
            (self.folder / upload.id).unlink(missing_ok=True)
        self._hashes.pop(upload.id, None)
        self.sweep()

    def sweep(self) -> None:
        """Delete uploads that nobody continues, and logs that no recording and no upload uses."""
        before = time.time() - UNUSED_S
        with self._database.change() as db:
            stale = db.execute("DELETE FROM upload WHERE touched < ? RETURNING id, state", (before,)).fetchall()
            places = db.execute(
                "DELETE FROM log WHERE sha256 NOT IN (SELECT sha256 FROM job_log)"
                " AND sha256 NOT IN (SELECT sha256 FROM upload WHERE sha256 IS NOT NULL) RETURNING place"
            ).fetchall()
        gone = [row["id"] for row in stale if row["state"] == "receiving"] + [row["place"] for row in places]
        for name in gone:
            (self.folder / name).unlink(missing_ok=True)

    def path_of(self, sha256: str) -> Path | None:
        """Where the bytes of a log lie."""
        row = self._database.one("SELECT place FROM log WHERE sha256 = ?", sha256)
        return None if row is None else self.folder / row["place"]


def _upload(row: Row) -> Upload:
    kept = {name: row[name] for name in Upload.__slots__}
    return Upload(**{**kept, "known": bool(row["known"])})
