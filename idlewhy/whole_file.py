"""A result file that is there whole or not at all, and the question beforehand whether it can be written."""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from signal_defs.errors import UsageError

# The medium is full, the quota used up, too large, read-only, the name too long, not allowed.
_NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.ENAMETOOLONG, errno.EACCES, errno.EPERM}


def check_place(place: Path, output: str) -> None:
    """Raises UsageError if no file can be written there."""
    if place.is_dir():
        raise UsageError("The result is to be a file, and this is a folder.", where=output, mend="Name a file in it.")
    if not place.parent.is_dir():
        raise UsageError(
            "The folder for the result does not exist.", where=output, mend="Make the folder, or name another one."
        )
    if not os.access(place if _is_device(place) else place.parent, os.W_OK):
        raise UsageError("The result cannot be written there.", where=output, mend="Name a folder of your own.")


def place_of(path: str | Path) -> Path:
    """Where a link leads; a device stays as it is named."""
    given = Path(path)
    return given if _is_device(given) else Path(os.path.realpath(given))


def _is_device(place: Path) -> bool:
    """Something that is written into and not replaced: a terminal, a pipe, /dev/null."""
    return place.exists() and not place.is_file() and not place.is_dir()


@contextmanager
def whole_file(path: str | Path) -> Iterator[Path]:
    """A path to write to beside `path`; renamed into place when the block ends well, removed when it does not.

    A link is followed; a device or a pipe is written into. Raises UsageError if the file cannot be written.
    """
    target = place_of(path)
    check_place(target, str(path))
    try:
        if _is_device(target):
            yield target
            return
        handle, name = tempfile.mkstemp(prefix=".half-", suffix=target.suffix[:20], dir=target.parent)
        os.close(handle)
        half = Path(name)
        try:
            yield half
            half.chmod(0o666 & ~_umask())
            half.replace(target)
        finally:
            half.unlink(missing_ok=True)
    except OSError as fault:
        if fault.errno not in _NO_ROOM:
            raise
        raise UsageError(
            f"The result cannot be written: {os.strerror(fault.errno)}.",
            where=str(path),
            mend="Make room, or name a file elsewhere; no half file was left.",
        ) from fault


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
