"""Streams out of gzip and Zstandard files that give all that can be unpacked before they say that something is wrong.

The standard readers raise in the call that meets the fault, and lose what that call had unpacked. Both readers here
hold a bounded amount of packed and unpacked bytes, whatever the file says, and raise behind the last good byte:
EOFError where the file is cut off, ValueError where it is damaged.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from typing import BinaryIO, cast

_GZIP_PACKED = 1 << 16
_GZIP_UNPACKED = 1 << 18
_GZIP_MAGIC = b"\x1f\x8b\x08"
_HEADER_BYTES = 1 << 16  # a gzip header with a longer name or comment is refused
# One block of four bytes may hold 128 KiB (RFC 8878 §3.1.1.2), so that this many packed bytes give 32 MiB at most.
_ZSTD_PACKED = 1 << 10
_ZSTD_WINDOW = 128 << 20  # the largest window the format's own tool takes unasked


class UnpackedStream(io.RawIOBase):
    """The pieces of a generator as a file; an error of the generator is raised where the file reaches it."""

    def __init__(self, pieces: Iterator[bytes]) -> None:
        super().__init__()
        self._pieces = pieces
        self._piece = memoryview(b"")

    def readable(self) -> bool:
        return True

    def readinto(self, target: object) -> int:
        view = memoryview(target).cast("B")  # type: ignore[arg-type]  # the base class says only "buffer"
        while not len(self._piece):
            piece = next(self._pieces, None)
            if piece is None:
                return 0
            self._piece = memoryview(piece)
        size = min(len(view), len(self._piece))
        view[:size] = self._piece[:size]
        self._piece = self._piece[size:]
        return size


class _Packed:
    """Packed bytes that are taken from the front."""

    def __init__(self, file: BinaryIO, size: int) -> None:
        self._file, self._size, self.rest = file, size, b""

    def more(self) -> bytes:
        """What is at hand, or the next read; empty at the end."""
        data = self.rest or self._file.read(self._size) or b""
        self.rest = b""
        return data

    def take(self, count: int) -> bytes:
        """Exactly so many bytes. Raises EOFError if there are fewer."""
        while len(self.rest) < count:
            data = self._file.read(self._size)
            if not data:
                raise EOFError
            self.rest += data
        head, self.rest = self.rest[:count], self.rest[count:]
        return head

    def take_text(self) -> None:
        """Skip up to a zero byte."""
        for _ in range(_HEADER_BYTES):
            if self.take(1) == b"\0":
                return
        raise ValueError("endless name in a gzip header")

    def at_end(self) -> bool:
        self.rest = self.more()
        return not self.rest


def gzip_pieces(file: BinaryIO) -> Iterator[bytes]:
    """The unpacked bytes of all members of a gzip file, their check sums verified: RFC 1952."""
    packed = _Packed(file, _GZIP_PACKED)
    while True:
        _skip_gzip_header(packed)
        yield from _gzip_member(packed)
        while not packed.at_end() and packed.rest[:1] == b"\0":
            packed.rest = packed.rest.lstrip(b"\0")  # padding behind a member, as of tapes
        if packed.at_end():
            return


def _skip_gzip_header(packed: _Packed) -> None:
    head = packed.take(10)
    if head[:3] != _GZIP_MAGIC:
        raise ValueError("no gzip member")
    flags = head[3]
    if flags & 4:
        packed.take(struct.unpack("<H", packed.take(2))[0])
    for bit in (8, 16):
        if flags & bit:
            packed.take_text()
    if flags & 2:
        packed.take(2)


def _gzip_member(packed: _Packed) -> Iterator[bytes]:
    from isal import igzip_lib, isal_zlib

    fault = cast("type[Exception]", isal_zlib.error)
    unpacker = igzip_lib.IgzipDecompressor(flag=igzip_lib.DECOMP_DEFLATE)
    check, size = 0, 0
    while not unpacker.eof:
        data = packed.more() if unpacker.needs_input else b""
        if unpacker.needs_input and not data:
            raise EOFError
        try:
            piece = unpacker.decompress(data, _GZIP_UNPACKED)
        except fault as error:
            raise ValueError(str(error)) from None
        check = isal_zlib.crc32(piece, check)
        size += len(piece)
        if piece:
            yield piece
    packed.rest = unpacker.unused_data + packed.rest
    expected_check, expected_size = struct.unpack("<II", packed.take(8))
    if (check, size & 0xFFFFFFFF) != (expected_check, expected_size):
        raise ValueError("wrong check sum of a gzip member")


def zstd_pieces(file: BinaryIO) -> Iterator[bytes]:
    """The unpacked bytes of all frames of a Zstandard file: RFC 8878."""
    import zstandard

    packed = _Packed(file, _ZSTD_PACKED)
    context = zstandard.ZstdDecompressor(max_window_size=_ZSTD_WINDOW)
    while not packed.at_end():
        unpacker = context.decompressobj()
        while not unpacker.eof:
            data = packed.more()
            if not data:
                raise EOFError
            try:
                piece = unpacker.decompress(data)
            except zstandard.ZstdError as error:
                raise ValueError(str(error)) from None
            if piece:
                yield piece
        packed.rest = unpacker.unused_data
