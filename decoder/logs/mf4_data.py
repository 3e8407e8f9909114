"""The data an MF4 group refers to: plain, deflated, transposed or in a list of parts, read piece by piece."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from decoder.frames import ByteArray, ReadReport
from decoder.logs.inflate import inflate
from decoder.logs.mf4_blocks import BLOCK_HEADER, Block, BlockFile

PIECE_BYTES = 2 << 20
_LARGEST_INFLATED = 32 << 20  # of one deflated block; recorders stay at 4 MiB
_MOST_PARTS = 1 << 17


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Consecutive bytes of a group's data. place: byte of the file. offset: bytes of the group's data before it.

    columns: 0, or the number of columns that `data` is stored by: byte k of row r stands at k * rows + r.
    """

    data: ByteArray
    place: int
    offset: int
    columns: int = 0

    def in_order(self) -> ByteArray:
        """The bytes row by row."""
        if not self.columns:
            return self.data
        rows = len(self.data) // self.columns
        body = self.data[: rows * self.columns].reshape(self.columns, rows).T.reshape(-1)
        return np.concatenate([body, self.data[rows * self.columns :]])


@dataclass(frozen=True, slots=True)
class _Part:
    """A block that holds data. offset: where its data begin, by the list that names it; -1 unknown."""

    place: int
    offset: int = -1
    is_last: bool = False


def pieces(file: BlockFile, place: int, report: ReadReport) -> Iterator[Piece]:
    """All data from the block at place on. What cannot be read is counted; reading goes on where offsets are known."""
    offset = 0
    for part in _parts(file, place, report):
        offset = part.offset if part.offset > offset or offset < 0 else offset
        if offset < 0:
            report.drop("damaged_block", f"byte {part.place}", -1)
            return
        block = file.block(part.place, 24)
        if block is None or block.kind not in {b"##DT", b"##SD", b"##RD", b"##DZ"}:
            report.drop("damaged_block" if block is None else "unknown_block", f"byte {part.place}", -1)
            offset = -1
        elif block.kind == b"##DZ":
            piece = _inflate(file, block, offset, report)
            size = struct.unpack_from("<Q", block.data, 8)[0] if len(block.data) >= 24 else 0
            offset = offset + size if size else -1
            if piece is not None:
                yield piece
        else:
            yield from _plain(file, block, offset, report, is_last=part.is_last)
            offset += max(block.length - BLOCK_HEADER, 0)


def _parts(file: BlockFile, place: int, report: ReadReport) -> Iterator[_Part]:
    """The blocks that hold the data, in order."""
    head = file.block(place, 0)
    if head is not None and head.kind == b"##HL" and head.links:
        place = head.links[0]
        head = file.block(place, 0)
    if head is None or head.kind != b"##DL":
        if place:
            yield _Part(place, 0, is_last=True)
        return
    count = 0
    for block in file.chain(place, b"##DL"):
        addresses = block.links[1:]
        offsets = _offsets(block, count, len(addresses))
        for index, address in enumerate(addresses):
            count += 1
            if count > _MOST_PARTS:
                report.drop("too_many_parts", f"byte {block.place}", -1)
                return
            if address:
                is_last = not block.links[0] and index == len(addresses) - 1
                yield _Part(address, offsets[index] if index < len(offsets) else -1, is_last)


def _offsets(block: Block, before: int, count: int) -> tuple[int, ...]:
    """Where each part's data begin: all parts of one length, or a table. before: parts of earlier lists."""
    if len(block.data) < 16:
        return ()
    if block.data[0] & 1:
        length = int.from_bytes(block.data[8:16], "little")
        return tuple((before + index) * length for index in range(count))
    known = min(count, (len(block.data) - 8) // 8)
    return struct.unpack_from(f"<{known}Q", block.data, 8)


def _plain(file: BlockFile, block: Block, offset: int, report: ReadReport, *, is_last: bool) -> Iterator[Piece]:
    """Stored bytes. A recorder that was cut off leaves the last block's length at that of the header alone."""
    start = block.place + BLOCK_HEADER
    end = block.place + block.length
    if block.length <= BLOCK_HEADER and is_last:
        end = file.size
    if end > file.size:
        report.drop("cut_off", f"byte {file.size}", -1)
        end = file.size
    for place in range(start, end, PIECE_BYTES):
        data = file.bytes_at(place, min(PIECE_BYTES, end - place))
        yield Piece(np.frombuffer(data, np.uint8), place, offset + place - start)


def _inflate(file: BlockFile, block: Block, offset: int, report: ReadReport) -> Piece | None:
    """A deflated block. Data that fail their checksum are not used; of data that are cut off, what came is."""
    where = f"byte {block.place}"
    if len(block.data) < 24:
        report.drop("cut_off", where, -1)
        return None
    method = block.data[2]
    columns, size, packed = struct.unpack_from("<IQQ", block.data, 4)
    if method > 1 or size > _LARGEST_INFLATED:
        report.drop("unknown_compression" if method > 1 else "block_too_large", where, -1)
        return None
    body = file.bytes_at(block.place + BLOCK_HEADER + 24, min(packed, 2 * _LARGEST_INFLATED))
    try:
        data, ended = inflate(body, size, size)
    except ValueError:
        report.drop("damaged_block", where, -1)
        return None
    if len(data) != size or not ended:
        report.drop("damaged_block" if ended or len(data) > size else "cut_off", where, -1)
        if method or ended:
            return None
        data = data[:size]
    stored_by = columns if method and 1 < columns <= len(data) else 0
    return Piece(np.frombuffer(data, np.uint8), block.place, offset, stored_by)


class VariableValues:
    """Values of variable length (a u32 length, then the bytes), read forward only, as far as records ask for them."""

    def __init__(self, file: BlockFile, place: int, report: ReadReport) -> None:
        self._source = pieces(file, place, report)
        self._bytes = np.empty(0, np.uint8)
        self._start = 0

    def window(self, first: int, last: int, most: int) -> tuple[ByteArray, int]:
        """The bytes from offset first to last + most, or what there is of them; and the offset of the first."""
        self._forget(first)
        while self._start + len(self._bytes) < last + most:
            piece = next(self._source, None)
            if piece is None:
                break
            if piece.offset == self._start + len(self._bytes):
                self._bytes = np.concatenate([self._bytes, piece.in_order()])
            else:
                self._bytes, self._start = piece.in_order(), piece.offset
            self._forget(first)
        return self._bytes, self._start

    def _forget(self, first: int) -> None:
        count = min(max(first - self._start, 0), len(self._bytes))
        self._bytes = self._bytes[count:]
        self._start += count
