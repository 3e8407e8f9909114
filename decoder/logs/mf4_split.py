"""Mixed MF4 records: where each begins. Every record starts with its identifier; the identifier tells the size."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from struct import Struct

_LENGTH = Struct("<I")
_FLOAT = Struct("<d")
_LONGEST_VALUE = 2048  # CAN XL
_USUAL_VALUE = 64  # CAN FD
_SURE_AFTER = 20  # records in a row that must be sound before reading goes on behind damage
_SEARCH_BYTES = 1 << 16
_MOST_STEPS = 1 << 17  # records looked at in one search


@dataclass(frozen=True, slots=True)
class Split:
    """position: identifier of a kind of record -> where its records begin. end: first byte that was not taken.

    broken: at `end` stands no record; otherwise the last one is cut off there.
    """

    position: dict[int, list[int]]
    end: int
    broken: bool

    @property
    def last(self) -> int:
        """Where the last record begins; `end` if there is none."""
        return max((places[-1] for places in self.position.values() if places), default=self.end)

    def forget(self, place: int) -> None:
        """Leave out the record that begins at place, if it is the last of its kind."""
        for places in self.position.values():
            if places and places[-1] == place:
                places.pop()


@dataclass(frozen=True, slots=True)
class Clock:
    """Where a kind of record keeps its time: byte offset, bytes, whether it is a float. latest: of plausible times."""

    offset: int
    size: int
    is_float: bool
    latest: float

    def read(self, data: bytes, at: int) -> float:
        part = data[at + self.offset : at + self.offset + self.size]
        if self.is_float:
            return float(_FLOAT.unpack(part)[0]) if len(part) == 8 else -1.0
        return float(int.from_bytes(part, "little"))


def split(data: bytes, start: int, sizes: Mapping[int, int], id_bytes: int) -> Split:
    """Walk the records from start on. sizes: bytes behind the identifier; -1 for a length (u32) and as many bytes."""
    position: dict[int, list[int]] = {key: [] for key in sizes}
    append = {key: places.append for key, places in position.items()}
    at, total = start, len(data)
    read_length, narrow = _LENGTH.unpack_from, id_bytes == 1
    while at + id_bytes <= total:
        key = data[at] if narrow else int.from_bytes(data[at : at + id_bytes], "little")
        size = sizes.get(key)
        if size is None:
            return Split(position, at, broken=True)
        if size < 0:
            if at + id_bytes + 4 > total:
                break
            size = 4 + read_length(data, at + id_bytes)[0]
            if size > _LONGEST_VALUE:
                return Split(position, at, broken=True)
        following = at + id_bytes + size
        if following > total:
            break
        append[key](at)
        at = following
    return Split(position, at, broken=False)


def find_next(data: bytes, start: int, sizes: Mapping[int, int], id_bytes: int, clocks: Mapping[int, Clock]) -> int:
    """The first place from start on from which many records in a row are sound; -1 if there is none nearby.

    clocks: how to read the time of a kind of record; it never runs back from one record of a kind to the next.
    """
    steps = 0
    for place in range(start, min(start + _SEARCH_BYTES, len(data))):
        at = place
        if steps > _MOST_STEPS:
            break
        last: dict[int, float] = {}
        for _ in range(_SURE_AFTER):
            steps += 1
            following = _following(data, at, sizes, id_bytes)
            key = int.from_bytes(data[at : at + id_bytes], "little")
            if following < 0 or (key in clocks and not _goes_on(data, at + id_bytes, clocks[key], key, last)):
                break
            at = following
            if at >= len(data):
                break
        else:
            return place
        if at >= len(data) > place:
            return place
    return -1


def _goes_on(data: bytes, at: int, clock: Clock, key: int, last: dict[int, float]) -> bool:
    """Whether the time of the record at `at` is not before that of the last of its kind, which it then becomes."""
    time = clock.read(data, at)
    if not last.get(key, 0.0) <= time <= clock.latest:
        return False
    last[key] = time
    return True


def _following(data: bytes, at: int, sizes: Mapping[int, int], id_bytes: int) -> int:
    """Where the record behind the one at `at` begins; -1 if there stands no whole record with a short enough value."""
    size = sizes.get(int.from_bytes(data[at : at + id_bytes], "little"))
    if size is None or at + id_bytes > len(data):
        return -1
    if size < 0:
        if at + id_bytes + 4 > len(data):
            return -1
        size = 4 + _LENGTH.unpack_from(data, at + id_bytes)[0]
        if size > 4 + _USUAL_VALUE:
            return -1
    following: int = at + id_bytes + size
    return following if following <= len(data) else -1
