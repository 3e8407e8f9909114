"""Mixed MF4 records: where each begins. Every record starts with its identifier; the identifier tells the size."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from struct import Struct

_LENGTH = Struct("<I")
_LONGEST_VALUE = 1 << 16
_SURE_AFTER = 20  # records in a row that must be sound before reading goes on behind damage
_SEARCH_BYTES = 1 << 16


@dataclass(frozen=True, slots=True)
class Split:
    """position: identifier of a kind of record -> where its records begin. end: first byte that was not taken.

    broken: at `end` stands no record; otherwise the last one is cut off there.
    """

    position: dict[int, list[int]]
    end: int
    broken: bool


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


def find_next(data: bytes, start: int, sizes: Mapping[int, int], id_bytes: int) -> int:
    """The first place from start on from which many records in a row are sound; -1 if there is none nearby."""
    for place in range(start, min(start + _SEARCH_BYTES, len(data))):
        at = place
        for _ in range(_SURE_AFTER):
            following = _following(data, at, sizes, id_bytes)
            if following < 0:
                break
            at = following
            if at >= len(data):
                break
        else:
            return place
        if at >= len(data) > place:
            return place
    return -1


def _following(data: bytes, at: int, sizes: Mapping[int, int], id_bytes: int) -> int:
    """Where the record behind the one at `at` begins; -1 if there stands no whole record."""
    size = sizes.get(int.from_bytes(data[at : at + id_bytes], "little"))
    if size is None or at + id_bytes > len(data):
        return -1
    if size < 0:
        if at + id_bytes + 4 > len(data):
            return -1
        size = 4 + _LENGTH.unpack_from(data, at + id_bytes)[0]
        if size > _LONGEST_VALUE:
            return -1
    following: int = at + id_bytes + size
    return following if following <= len(data) else -1
