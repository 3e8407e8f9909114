"""Opening a log: a file, a compressed file or standard input, as one bounded stream of unpacked bytes."""

from __future__ import annotations

import hashlib
import io
import os
import stat
import sys
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, cast

from decoder.frames import ReadReport
from decoder.logs.compressed import UnpackedStream, gzip_pieces, zstd_pieces
from signal_defs.errors import LogError

MAX_BATCH = 262_144  # frames in one batch at most
HEAD_BYTES = 65_536  # what a reader sees to tell its format
_BOMB_GRACE = 64 << 20  # unpacked bytes that need no justification
_BOMB_RATIO = 500  # unpacked over packed beyond which no log goes: a record's time stamp alone costs more
_AGAIN = "Copy it again from where it was recorded."
_PACKED = {b"\x1f\x8b": "gz", b"\x28\xb5\x2f\xfd": "zst", b"PK\x03\x04": "zip", b"PK\x05\x06": "zip"}


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """What the caller knows or wants of a log.

    wanted: identifiers to keep (as on the bus, without flags); None for all. Others are dropped as early as the format
    allows and still counted in the report; error frames are always handed out. csv_columns: what a column of a table
    holds ("time", "channel", "identifier", "data", "length", "checksum", "extended", "direction") -> its heading.
    format: name of the reader to use instead of the one found from the content. buffer_bytes: read at a time.
    max_unpacked_bytes, max_spool_bytes: largest unpacked log, and largest that is copied to disk because its format
    cannot be read front to back. watch: called after each batch with the log's name and its frames so far.
    """

    wanted: frozenset[int] | None = None
    csv_columns: Mapping[str, str] = field(default_factory=dict)
    format: str | None = None
    buffer_bytes: int = 2 << 20
    max_unpacked_bytes: int = 1 << 40
    max_spool_bytes: int = 8 << 30
    watch: Callable[[str, int], None] | None = None


class LogStream(io.RawIOBase):
    """The unpacked bytes of a log, front to back.

    A fault of the compression (cut off, wrong check sum, unpacked size out of all proportion) ends the stream like the
    end of the file and stands in `fault`; no read raises for it. name: as the caller gave it. path: the file, if it is
    plain, so that a reader may map it; None if it is compressed or comes from standard input. head: the first
    `HEAD_BYTES` bytes, which reading delivers again. origin: standard input, if the log comes from there.
    """

    def __init__(
        self,
        raw: BinaryIO,
        name: str,
        *,
        path: Path | None = None,
        packed: BinaryIO | None = None,
        options: ReadOptions,
    ) -> None:
        super().__init__()
        self._raw = raw
        self._packed = packed
        self._options = options
        self._position = 0
        self._taken = 0
        self._random: BinaryIO | None = None
        self.name = name
        self.path = path
        self.origin: StandardInput | None = None
        self.fault = ""
        self.head = b""
        self.head = self._fill_head()

    def _fill_head(self) -> bytes:
        head = bytearray(HEAD_BYTES)
        size = 0
        with memoryview(head) as view:
            while size < HEAD_BYTES and (got := self._take(view[size:])):
                size += got
        return bytes(head[:size])

    def readable(self) -> bool:
        return True

    @property
    def suffix(self) -> str:
        """The name's last suffix in lower case, without that of a compression: ".asc" for "monday.ASC.gz"."""
        return Path(inner_name(self.name)).suffix

    def readinto(self, target: object) -> int:
        """Fill the buffer as far as one read of the source goes; 0 at the end, and at damage of the compression."""
        view = memoryview(target).cast("B")  # type: ignore[arg-type]  # the base class says only "buffer"
        if self._position < len(self.head):
            part = self.head[self._position : self._position + len(view)]
            view[: len(part)] = part
            self._position += len(part)
            return len(part)
        got = self._take(view)
        self._position += got
        return got

    def tell(self) -> int:
        """Bytes handed out so far."""
        return self._position

    def extent(self) -> tuple[int, int]:
        """Bytes of the file read so far, packed as they are, and in all; 0 in all where that is not known."""
        file = self._random if self._random is not None and not self._random.closed else self._packed or self._raw
        if isinstance(file, LogStream):
            return file.extent()
        try:
            return file.tell(), os.fstat(file.fileno()).st_size
        except (OSError, ValueError):
            return self._taken, 0

    def _take(self, view: memoryview) -> int:
        """Read from the source behind the head, within the bounds."""
        if self.fault or not len(view):
            return 0
        try:
            got = cast("io.RawIOBase", self._raw).readinto(view) or 0
        except (EOFError, OSError, ValueError, RuntimeError, zlib.error, zipfile.BadZipFile) as error:
            if self._packed is None:
                self.fault = "unreadable"
            else:
                self.fault = "compression_cut" if isinstance(error, EOFError) else "compression_damaged"
            return 0
        self._taken += got
        if self._is_bomb():
            self.fault = "unpacked_too_large"
            return 0
        return got

    def _is_bomb(self) -> bool:
        if self._packed is None:
            return False
        if self._taken > self._options.max_unpacked_bytes:
            return True
        return self._taken > _BOMB_GRACE and self._taken > _BOMB_RATIO * max(self._packed.tell(), 1)

    def report_fault(self, report: ReadReport) -> None:
        """Add the fault of the compression, if there is one, to what was dropped."""
        if self.fault:
            report.drop(self.fault, f"byte {self._position} of the unpacked log", -1)

    def random_access(self) -> BinaryIO:
        """The whole log as a seekable file: the plain file itself, or a copy in a temporary file that closing removes.

        Raises LogError if the copy would grow past `ReadOptions.max_spool_bytes`.
        """
        if self.path is not None:
            self._random = open_regular(self.path)
            return self._random
        spool = tempfile.TemporaryFile()  # noqa: SIM115  # the caller closes it
        buffer = memoryview(bytearray(1 << 20))
        size = 0
        while got := self.readinto(buffer):
            size += got
            if size > self._options.max_spool_bytes:
                spool.close()
                raise LogError(
                    f"The unpacked log is larger than {self._options.max_spool_bytes} bytes, and its format cannot be "
                    "read front to back.",
                    where=self.name,
                    mend="Unpack it and give the plain file.",
                )
            spool.write(buffer[:got])
        spool.seek(0)
        return cast("BinaryIO", spool)

    def close(self) -> None:
        if not self.closed:
            self._raw.close()
            if self._packed is not None:
                self._packed.close()
        super().close()


def inner_name(name: str) -> str:
    """The file's own name in lower case, without the suffix of a compression."""
    base = Path(name).name.lower()
    for suffix in (".gz", ".zst", ".zip"):
        base = base.removesuffix(suffix)
    return base


def open_regular(path: Path) -> BinaryIO:
    """Open a file for reading; raises LogError for what is missing, forbidden, a folder, a pipe or a device."""
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except FileNotFoundError:
        raise LogError("There is no such file.", where=str(path), mend="Check the path.") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise LogError(
            f"The file cannot be opened: {reason}.", where=str(path), mend="Check the path and its rights."
        ) from None
    mode = os.fstat(handle).st_mode
    if stat.S_ISREG(mode):
        return os.fdopen(handle, "rb", buffering=0)
    os.close(handle)
    if stat.S_ISDIR(mode):
        raise LogError("This is a folder, not a log.", where=str(path), mend="Name the files in it.")
    raise LogError("This is a pipe, socket or device, not a file.", where=str(path), mend='Use "-" for standard input.')


def open_stream(path: str | Path, options: ReadOptions) -> LogStream:
    """Open a log, plain or compressed (gz, zst, zip with one log), by its content; "-" is standard input.

    Raises LogError if it cannot be opened, is empty, or is a zip with anything but one log.
    """
    name = str(path)
    if name == "-":
        origin = StandardInput(cast("BinaryIO", sys.stdin.buffer))
        stream = _open(cast("BinaryIO", origin), "standard input", None, options)
        stream.origin = origin
        return stream
    return _open(open_regular(Path(path)), name, Path(path), options)


def _open(packed: BinaryIO, name: str, plain: Path | None, options: ReadOptions) -> LogStream:
    stream = LogStream(packed, name, path=plain, options=options)
    if not stream.head:
        stream.close()
        raise LogError("The log is empty." if not stream.fault else "The log cannot be read.", where=name, mend=_AGAIN)
    kind = packing(stream.head)
    if not kind:
        return stream
    inner = _unpack(stream, kind, name, options)
    if packing(inner.head):
        inner.close()
        raise LogError("The log is compressed twice.", where=name, mend="Unpack it once.")
    if not inner.head and not inner.fault:
        inner.close()
        raise LogError("The log is empty once unpacked.", where=name, mend=_AGAIN)
    if not inner.head:
        inner.close()
        raise LogError("The compressed log is damaged from its first byte on.", where=name, mend=_AGAIN)
    return inner


def packing(head: bytes) -> str:
    """The compression that the first bytes tell: "gz", "zst", "zip" or ""."""
    return next((kind for magic, kind in _PACKED.items() if head.startswith(magic)), "")


def _unpack(stream: LogStream, kind: str, name: str, options: ReadOptions) -> LogStream:
    packed = cast("BinaryIO", stream)
    if kind != "zip":
        pieces = gzip_pieces(packed) if kind == "gz" else zstd_pieces(packed)
        return LogStream(cast("BinaryIO", UnpackedStream(pieces)), name, packed=packed, options=options)
    return _unpack_zip(stream, name, options)


def _unpack_zip(stream: LogStream, name: str, options: ReadOptions) -> LogStream:
    """The one log in a zip; folders and what file managers add beside it do not count."""
    seekable = stream.random_access()
    stream.close()
    try:
        archive = zipfile.ZipFile(seekable)
        members = [
            entry
            for entry in archive.infolist()
            if not entry.filename.endswith("/")  # `is_dir` fails where the name is empty
            and not entry.filename.startswith("__MACOSX/")
            and not Path(entry.filename).name.startswith(".")
        ]
        raw = archive.open(members[0]) if len(members) == 1 else None
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, OSError, ValueError) as error:
        seekable.close()
        raise LogError(
            f"The zip cannot be read: {error}.", where=name, mend="Unpack it and give the log itself."
        ) from None
    if raw is None:
        seekable.close()
        raise LogError(
            f"The zip holds {len(members)} files; one log is expected.", where=name, mend="Unpack it and give the logs."
        )
    return LogStream(cast("BinaryIO", raw), members[0].filename, packed=seekable, options=options)


class StandardInput(io.RawIOBase):
    """Standard input, which stays open when the log is closed. size: bytes taken from it; sha256: of these."""

    def __init__(self, inner: BinaryIO) -> None:
        super().__init__()
        self._inner = inner
        self._digest = hashlib.sha256()
        self.size = 0

    def readable(self) -> bool:
        return True

    def readinto(self, target: object) -> int:
        got = int(self._inner.readinto(target) or 0)  # type: ignore[attr-defined]  # every binary file has it
        self._digest.update(memoryview(target).cast("B")[:got])  # type: ignore[arg-type]  # the base class says "buffer"
        self.size += got
        return got

    @property
    def sha256(self) -> str:
        return self._digest.hexdigest()

    def drain(self, most: int) -> None:
        """Take up to `most` bytes that the reader had no need of, so that the hash is that of the whole file."""
        buffer = bytearray(1 << 16)
        last = self.size + most
        try:
            while self.size < last and self.readinto(buffer):
                pass
        except (OSError, ValueError):  # gone: the hash is that of what came
            return
