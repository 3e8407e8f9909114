"""The rows of python-can's table cut out of the pages of a SQLite file, as columns.

Source: "Database File Format", sqlite.org/fileformat2.html, sections 1.3 (header), 1.6 (b-tree pages), 2.1 (records).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, FloatArray, Int64Array, ReadReport
from decoder.logs.frame_columns import gather

_LEAF, _INTERIOR = 13, 5  # kinds of page of a table
_MAX_DEPTH = 20  # of a tree; SQLite's own bound
_PIECE = 1 << 20  # bytes of pages read together
_PAST = 72  # bytes behind the pages: no reading of a row's parts leaves them
_MORE = 0x80  # set in a byte of a number of variable length if another byte follows
_REAL, _ONE, _BLOB = 7, 9, 12  # serial types; 1 to 6: integers, 8 and 9: the numbers 0 and 1, 12 + 2n: n bytes
_SIZE = np.array([0, 1, 2, 3, 4, 6, 8, 8, 0, 0])
_SHIFT = np.minimum(64 - 8 * _SIZE, 63)
_COLUMNS = 7
MAX_BYTES = 64  # of a frame


@dataclass(slots=True, eq=False)
class Cells:
    """n rows in their order, nothing in them judged; each array (n,).

    number: the identifier. flags: extended, remote, error. start, size: where the payload lies in data.
    odd: rows that only SQLite itself can tell (long, with text or NULL in them); their other columns mean nothing.
    cell: where a row begins in data.
    """

    time_s: FloatArray
    number: Int64Array
    flags: NDArray[np.uint16]
    start: Int64Array
    size: Int64Array
    data: ByteArray
    odd: BoolArray
    cell: Int64Array

    def rowid(self, row: int) -> int:
        """The number that SQLite knows a row by."""
        _, at = _number_at(self.data, int(self.cell[row]))  # the record's length
        number, _ = _number_at(self.data, at)
        return number - (1 << 64 if number >> 63 else 0)


class Pages:
    """The pages of a SQLite file that SQLite has opened. file: seekable; size: its bytes."""

    def __init__(self, file: BinaryIO, size: int, report: ReadReport) -> None:
        file.seek(0)
        head = file.read(21).ljust(21, b"\0")
        self._size = int.from_bytes(head[16:18], "big")
        self._size = {0: 512, 1: 65_536}.get(self._size, self._size)  # 0: cut off since SQLite opened it
        self._usable = self._size - head[20]
        self._file = file
        self._report = report
        self._seen = bytearray(size // self._size + 1)

    def depth(self, root: int) -> int:
        """How far the leaves of the tree that begins at page root lie under it; -1 if that is no tree."""
        page = root
        for depth in range(_MAX_DEPTH):
            children = self._children(page)
            if not children:
                return depth if self._read([page])[0, 0] == _LEAF else -1
            page = children[0]
        return -1

    def cells(self, root: int, depth: int) -> Iterator[Cells]:
        """The rows of that tree, some pages at a time; every page once, whatever the tree says."""
        step = max(_PIECE // self._size, 1)
        for leaves in self._leaves([root], depth):
            for first in range(0, len(leaves), step):
                yield from self._cut(leaves[first : first + step])

    def _leaves(self, pages: list[int], depth: int) -> Iterator[list[int]]:
        """The leaves under those pages, which all lie that far above them."""
        fresh = []
        for page in pages:
            if 0 < page < len(self._seen) and not self._seen[page]:
                self._seen[page] = 1
                fresh.append(page)
            else:
                self._lose(page)
        if not depth:
            yield fresh
            return
        for page in fresh:
            children = self._children(page)
            if not children:
                self._lose(page)
            yield from self._leaves(children, depth - 1)

    def _lose(self, page: int) -> None:
        self._report.drop("damaged_page", f"page {page}", -1)

    def _children(self, page: int) -> list[int]:
        """The pages that a page inside the tree points to; none if it is no such page."""
        data = self._read([page])[0]
        count = int.from_bytes(data[3:5].tobytes(), "big")
        if data[0] != _INTERIOR or 12 + 2 * count > self._usable:
            return []
        cells = data[12 : 12 + 2 * count].view(">u2").astype(np.int64)
        children = gather(data, np.minimum(cells, self._usable - 4), 4).view(">u4")[:, 0].tolist()
        return [*children, int.from_bytes(data[8:12].tobytes(), "big")]

    def _read(self, pages: list[int]) -> ByteArray:
        """Those pages, (n, size of a page), zero where the file has none of them."""
        return self._read_flat(pages)[: len(pages) * self._size].reshape(len(pages), self._size)

    def _read_flat(self, pages: list[int]) -> ByteArray:
        """The pages one behind the other, and zeros behind the last."""
        data = np.zeros(len(pages) * self._size + _PAST, np.uint8)
        view, first = data.data, 0
        for place in range(1, len(pages) + 1):
            if place == len(pages) or pages[place] != pages[place - 1] + 1:  # the end of neighbours in the file
                self._file.seek(max(pages[first] - 1, 0) * self._size)
                self._file.readinto(view[first * self._size : place * self._size])  # type: ignore[attr-defined]  # files have it
                first = place
        return data

    def _cut(self, leaves: list[int]) -> Iterator[Cells]:
        """The rows of those pages."""
        data = self._read_flat(leaves)
        pages = data[:-_PAST].reshape(len(leaves), self._size)
        count = pages[:, 3].astype(np.int64) << 8 | pages[:, 4]
        sound = (pages[:, 0] == _LEAF) & (8 + 2 * count <= self._usable)
        for place in np.flatnonzero(~sound).tolist():
            self._lose(leaves[place])
        count[~sound] = 0
        most = int(count.max(initial=0))
        pointer = np.ascontiguousarray(pages[:, 8 : 8 + 2 * most]).view(">u2").astype(np.int64)
        is_cell = np.arange(most) < count[:, None]
        inside = is_cell & (pointer >= 8 + 2 * count[:, None]) & (pointer <= self._usable - 4)
        lost = int(count.sum()) - int(np.count_nonzero(inside))
        if lost:
            first = leaves[int(np.argmax((is_cell & ~inside).any(axis=1)))]
            self._report.drop("damaged_record", f"page {first} and later", lost)
        cell = (pointer + self._size * np.arange(len(leaves))[:, None])[inside]
        if len(cell):
            yield _cells(data, cell, (cell & -self._size) + self._usable)


def _cells(data: ByteArray, cell: Int64Array, end: Int64Array) -> Cells:
    """The rows at those places. end: (n,) where the page of each ends."""
    head = cell + 2  # behind the record's length and the row's number
    more = data[cell + 1] >= _MORE
    while more.any():
        head += more
        more &= (data[head - 1] >= _MORE) & (head < cell + 10)
    head_bytes, *serial, beyond = np.ascontiguousarray(gather(data, head, _COLUMNS + 2).T)
    stated = data[cell]
    is_long = serial[6] >= _MORE  # two bytes of type: a payload over 57 bytes
    blob = np.where(is_long, (serial[6] & 0x7F).astype(np.int64) << 7 | beyond, serial[6])
    odd = (stated >= _MORE) | (head_bytes != _COLUMNS + 1 + is_long) | (is_long & (beyond >= _MORE))
    odd |= (blob < _BLOB) | (blob & 1 == 1) | (blob > _BLOB + 2 * MAX_BYTES)
    at = [head + head_bytes]
    for column, kind in enumerate(serial[:-1]):
        least, most = int(kind.min()), int(kind.max())
        if least == 0 or most > _ONE:
            odd |= (kind == 0) | (kind > _ONE)
        if column and least <= _REAL <= most:
            odd |= kind == _REAL
        at.append(at[-1] + (_SIZE.take(kind, mode="clip") if least < most else _SIZE[min(most, _ONE)]))
    size = (blob - _BLOB) >> 1
    odd |= (at[-1] + size != head + stated) | (head + stated > end)
    is_real = serial[0] == _REAL
    word = _whole(data, at[0], serial[0])
    time_s = word.view(np.float64)
    if not is_real.all():
        time_s = np.where(is_real, time_s, word.astype(np.float64))
    flags = np.zeros(len(cell), np.uint16)
    for column, flag in enumerate((Flag.EXTENDED, Flag.REMOTE, Flag.ERROR), 2):
        flags |= (_whole(data, at[column], serial[column]) != 0) * np.uint16(flag)
    return Cells(time_s, _whole(data, at[1], serial[1]), flags, at[-1], size, data, odd, cell)


def _whole(data: ByteArray, at: Int64Array, serial: ByteArray) -> Int64Array:
    """Integers of those types at those places; of a real its eight bytes as they are."""
    if serial.min() >= 8:
        return serial.astype(np.int64) - 8
    word = gather(data, np.minimum(at, len(data) - 8), 8).view(">i8")[:, 0].astype(np.int64)
    word >>= _SHIFT.take(serial, mode="clip")
    return np.where(serial >= 8, serial.astype(np.int64) - 8, word)


def _number_at(data: ByteArray, at: int) -> tuple[int, int]:
    """A number of variable length, and where it ends."""
    number = 0
    for byte in data[at : at + 8].tolist():
        at += 1
        number = number << 7 | byte & 0x7F
        if byte < _MORE:
            return number, at
    return number << 8 | int(data[at]), at + 1
