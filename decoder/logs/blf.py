"""BLF: zlib containers of binary objects; CAN, CAN FD and LIN, column-wise.

Source: the openly licensed readers of the format and their sample objects; there is no public specification.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import BinaryIO, cast

import numpy as np

from decoder.frames import BoolArray, ByteArray, FrameBatch, Int64Array, ReadReport
from decoder.logs.blf_chain import Chain, find_chain
from decoder.logs.blf_frames import frames_of
from decoder.logs.blf_objects import CONTAINER, HEADER_END, plausible_sizes
from decoder.logs.frame_columns import drop_all, gather
from decoder.logs.inflate import inflate
from decoder.logs.source import LogStream, ReadOptions

FORMAT = "blf"
_SIGNATURE = b"LOGG"
_FILE_HEADER = 144
_START_TIME_AT = 40
_LEAST_READ = 4096
_LARGEST_CONTAINER = 16 << 20
_LARGEST_OBJECT = 1 << 20
_CONTAINER_HEADER = 32
_STORED, _DEFLATED = 0, 2


def sniff(head: bytes, name: str) -> float:
    """1 where the file begins with the format's signature."""
    del name
    return float(head.startswith(_SIGNATURE))


def read(stream: LogStream | BinaryIO, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    """Frames of a BLF log; see `decoder.logs`. A container that fails its checksum is dropped, what follows is read."""
    header = _read_exactly(stream, _FILE_HEADER)
    start_ns = _start_time(header)
    if start_ns is not None:
        report.note("The start time is read as UTC; loggers of this format may write local time.")
    sizes = plausible_sizes()
    objects = _Objects()
    whole = _pieces(stream, header, report, sizes, options.buffer_bytes // 2)
    for piece in _slices(whole, max(options.buffer_bytes, _LEAST_READ)):
        objects.add(piece)
        if piece.breaks or objects.size >= options.buffer_bytes:
            yield from _frames(objects, sizes, start_ns or 0, report, options, final=piece.breaks)
    yield from _frames(objects, sizes, start_ns or 0, report, options, final=True)


@dataclass(frozen=True, slots=True)
class _Piece:
    """A stretch of objects. place: byte of the file. breaks: what comes next does not continue this piece.

    offset: unpacked bytes of the same place before this piece.
    """

    data: bytes | bytearray
    place: int
    breaks: bool = False
    offset: int = 0


def _slices(whole: Iterator[_Piece], most: int) -> Iterator[_Piece]:
    """The same bytes in pieces of at most so many."""
    for piece in whole:
        if len(piece.data) <= most:
            yield piece
            continue
        for first in range(0, len(piece.data), most):
            part = piece.data[first : first + most]
            is_last = first + most >= len(piece.data)
            yield _Piece(part, piece.place, piece.breaks and is_last, piece.offset + first)


@dataclass(slots=True)
class _Objects:
    """Pieces that are looked at together. start: where in the joined bytes each begins. place: and offset, of each."""

    parts: list[bytes | bytearray] = field(default_factory=list)
    start: list[int] = field(default_factory=list)
    place: list[tuple[int, int]] = field(default_factory=list)
    size: int = 0

    def add(self, piece: _Piece) -> None:
        if piece.data:
            self.start.append(self.size)
            self.place.append((piece.place, piece.offset))
            self.parts.append(piece.data)
            self.size += len(piece.data)

    def where(self, position: int) -> str:
        """The place of a byte, for people."""
        row = int(np.searchsorted(self.start, position, "right")) - 1
        if row < 0:
            return "byte 0"
        place, offset = self.place[row]
        return f"byte {place}, unpacked byte {offset + position - self.start[row]}"

    def keep(self, rest: bytes) -> None:
        """Forget all but the last bytes."""
        consumed = self.size - len(rest)
        row = max(int(np.searchsorted(self.start, consumed, "right")) - 1, 0)
        place, offset = self.place[row] if self.place else (0, 0)
        offset += consumed - self.start[row] if self.start else 0
        self.parts, self.start, self.place, self.size = [], [], [], 0
        self.add(_Piece(rest, place, offset=offset))


def _frames(
    objects: _Objects,
    sizes: Int64Array,
    start_ns: int,
    report: ReadReport,
    options: ReadOptions,
    *,
    final: bool,
) -> Iterator[FrameBatch]:
    """Take the frames out of the objects at hand; an object that is not yet whole stays."""
    data = np.frombuffer(b"".join(objects.parts), np.uint8)
    chain = find_chain(data, sizes, largest=_LARGEST_OBJECT, final=final)
    _count_damage(chain, objects, report)
    batch = frames_of(data, chain, start_ns, report, options, objects.where)
    objects.keep(data[chain.consumed :].tobytes())
    if batch is not None and len(batch):
        yield batch


def _count_damage(chain: Chain, objects: _Objects, report: ReadReport) -> None:
    for start, _ in chain.gaps:
        report.drop("unreadable_bytes", objects.where(start), -1)
    drop_all(report, "damaged_record", chain.position[chain.sizeless], objects.where)
    if chain.cut >= 0:
        report.drop("cut_off", objects.where(chain.cut))


def _pieces(
    stream: LogStream | BinaryIO,
    header: bytes,
    report: ReadReport,
    sizes: Int64Array,
    read_bytes: int,
) -> Iterator[_Piece]:
    """Follow the objects of the file itself: containers are unpacked, runs of other objects handed on as they are."""
    skip = int.from_bytes(header[4:8], "little")
    skip = skip if 72 <= skip <= len(header) else min(len(header), 72)
    base, final = skip, False
    window = _Window(header[skip:])
    while not final:
        final = not window.fill(stream, max(read_bytes, _LEAST_READ))
        data = window.data()
        chain = find_chain(data, sizes, largest=_LARGEST_CONTAINER, final=final, patient=True)
        for start, _ in chain.gaps:
            report.drop("unreadable_bytes", f"byte {base + start}", -1)
        yield from _split(data, base, chain, _is_container(data, chain), report)
        window.forget(chain.consumed)
        base += chain.consumed


class _Window:
    """The part of the file that is looked at, in one stretch of memory that is filled again and again."""

    def __init__(self, first: bytes) -> None:
        self._memory = np.frombuffer(first, np.uint8).copy()
        self._size = len(first)

    def data(self) -> ByteArray:
        """The bytes at hand; others once the window is filled again."""
        return self._memory[: self._size]

    def fill(self, stream: LogStream | BinaryIO, count: int) -> int:
        """Add up to so many bytes of the stream; 0 at its end."""
        if self._size + count > len(self._memory):
            larger = np.empty(max(self._size + count, min(2 * len(self._memory), _LARGEST_CONTAINER)), np.uint8)
            larger[: self._size] = self.data()
            self._memory = larger
        part = self._memory.data[self._size : self._size + count]
        got: int = cast("io.RawIOBase", stream).readinto(part) or 0
        self._size += got
        return got

    def forget(self, count: int) -> None:
        """Leave out the first bytes."""
        rest = self._memory[count : self._size].copy()
        self._size = len(rest)
        self._memory[: self._size] = rest


def _is_container(data: ByteArray, chain: Chain) -> BoolArray:
    """Which objects are containers. Only their header ends after 16 bytes: if one says another type, it is damaged."""
    header = gather(data, chain.position + 4, 2).view("<u2")[:, 0]
    result: BoolArray = (chain.kind == CONTAINER) | (header == HEADER_END)
    return result


def _split(data: ByteArray, base: int, chain: Chain, is_container: BoolArray, report: ReadReport) -> Iterator[_Piece]:
    position, extent = chain.position.tolist(), chain.extent.tolist()
    sizeless = set(chain.sizeless.tolist())
    containers = np.flatnonzero(is_container).tolist()
    done = 0
    for row in [*containers, len(position)]:
        if row > done:
            yield _Piece(data[position[done] : extent[row - 1]].tobytes(), base + position[done])
        if row < len(position):
            place = base + position[row]
            if row in sizeless or chain.kind[row] != CONTAINER:
                report.drop("damaged_record", f"byte {place}")
            yield _unpack(data.data[position[row] : extent[row]], place, report, whole=row not in sizeless)
        done = row + 1
    if chain.cut >= 0:
        rest = data.data[chain.cut :]
        place = base + chain.cut
        holds_objects = int.from_bytes(rest[12:16], "little") == CONTAINER
        report.drop("cut_off", f"byte {place}", -1)
        yield _unpack(rest, place, report, whole=False) if holds_objects else _Piece(bytes(rest), place)


def _unpack(container: memoryview, place: int, report: ReadReport, *, whole: bool) -> _Piece:
    """What a container holds. Data that fail their checksum are not used; of data that are cut off, what came is."""
    method = int.from_bytes(container[16:18], "little")
    size = int.from_bytes(container[8:12], "little")
    body = container[_CONTAINER_HEADER:]
    if method == _STORED and len(container) >= _CONTAINER_HEADER:
        stated = size if whole else len(container)
        return _Piece(bytes(container[_CONTAINER_HEADER:stated]), place, breaks=False)
    if method != _DEFLATED:
        report.drop("unknown_compression", f"byte {place}", -1)
        return _Piece(b"", place, breaks=True)
    try:
        data, ended = inflate(body, int.from_bytes(container[24:28], "little"), _LARGEST_CONTAINER)
    except ValueError:
        report.drop("damaged_container", f"byte {place}", -1)
        return _Piece(b"", place, breaks=True)
    if not ended and whole:
        kind = "container_too_large" if len(data) > _LARGEST_CONTAINER else "damaged_container"
        report.drop(kind, f"byte {place}", -1)
        return _Piece(b"", place, breaks=True)
    return _Piece(data[:_LARGEST_CONTAINER], place, breaks=not ended)


def _start_time(header: bytes) -> int | None:
    """The log's start [ns since 1970], None where there is none; a SYSTEMTIME of eight u16 to the millisecond."""
    stated = header[_START_TIME_AT : _START_TIME_AT + 16].ljust(16, b"\0")
    year, month, _, day, hour, minute, second, millisecond = struct.unpack("<8H", stated)
    if not 1990 <= year <= 2100 or millisecond > 999:
        return None
    try:
        moment = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return None
    return int(moment.timestamp()) * 1_000_000_000 + int(millisecond) * 1_000_000


def _read_exactly(stream: LogStream | BinaryIO, count: int) -> bytes:
    parts = b""
    while len(parts) < count and (more := stream.read(count - len(parts))):
        parts += more
    return parts
