"""Mixed MF4 records: where each begins. Every record starts with its identifier; the identifier tells the size."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from struct import Struct

import numpy as np

from decoder.frames import Int64Array

_LENGTH = Struct("<I")
_FLOAT = Struct("<d")
_SHORT_STRETCH, _LONG_STRETCH = 16, 8192  # records walked one by one before it is tried again whether they repeat
_LONGEST_PATTERN = 8  # records
_GLANCE, _OFTEN = 64, 32  # repetitions looked at first, and how many are worth it
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

    position: dict[int, Int64Array]
    end: int
    broken: bool

    @property
    def last(self) -> int:
        """Where the last record begins; `end` if there is none."""
        return max((int(places[-1]) for places in self.position.values() if len(places)), default=self.end)

    def forget(self, place: int) -> None:
        """Leave out the record that begins at place, if it is the last of its kind."""
        for key, places in self.position.items():
            if len(places) and places[-1] == place:
                self.position[key] = places[:-1]


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
    """Walk the records from start on. sizes: bytes behind the identifier; -1 for a length (u32) and as many bytes.

    What repeats itself is found in one look; where nothing does, ever longer stretches are walked record by record.
    """
    found: dict[int, list[Int64Array]] = {key: [] for key in sizes}
    at, stretch, more = start, _SHORT_STRETCH, True
    broken = False
    while more:
        places, after, broken = _walk(data, at, sizes, id_bytes, stretch)
        for key, own in places.items():
            found[key].append(np.array(own, np.int64))
        more = not broken and after > at and sum(map(len, places.values())) == stretch
        at = after
        repeated = _repeats(data, at, sizes, id_bytes) if more else None
        stretch = _SHORT_STRETCH if repeated is not None else min(2 * stretch, _LONG_STRETCH)
        if repeated is not None:
            for key, many in repeated.places.items():
                found[key].append(many)
            at = repeated.end
    joined = {key: np.concatenate(parts) if parts else np.empty(0, np.int64) for key, parts in found.items()}
    return Split(joined, at, broken)


def _walk(
    data: bytes, at: int, sizes: Mapping[int, int], id_bytes: int, most: int
) -> tuple[dict[int, list[int]], int, bool]:
    """Up to `most` records one by one: places by kind, the first byte not taken, whether no record is there."""
    places: dict[int, list[int]] = {key: [] for key in sizes}
    append = {key: own.append for key, own in places.items()}
    total = len(data)
    read_length, narrow = _LENGTH.unpack_from, id_bytes == 1
    for _ in range(most):
        if at + id_bytes > total:
            break
        key = data[at] if narrow else int.from_bytes(data[at : at + id_bytes], "little")
        size = sizes.get(key)
        if size is None:
            return places, at, True
        if size < 0:
            if at + id_bytes + 4 > total:
                break
            size = 4 + read_length(data, at + id_bytes)[0]
            if size > _LONGEST_VALUE:
                return places, at, True
        following = at + id_bytes + size
        if following > total:
            break
        append[key](at)
        at = following
    return places, at, False


@dataclass(frozen=True, slots=True)
class _Repeated:
    """places: kind -> where its records begin. end: first byte behind them all."""

    places: dict[int, Int64Array]
    end: int


def _repeats(data: bytes, at: int, sizes: Mapping[int, int], id_bytes: int) -> _Repeated | None:
    """The records from a place on as long as the first few, up to the next of the first one's kind, repeat in kind and
    size; None where they do not often.
    """
    if id_bytes not in {1, 2, 4, 8}:
        return None
    pattern: list[tuple[int, int]] = []  # kind, offset
    end = at
    while len(pattern) < _LONGEST_PATTERN:
        places, following, _ = _walk(data, end, sizes, id_bytes, 1)
        if following == end:
            return None
        key = next(key for key, own in places.items() if own)
        if pattern and key == pattern[0][0]:
            break
        pattern.append((key, end - at))
        end = following
    step = end - at
    numbers = [one for key, offset in pattern for one in _stated(sizes[key], id_bytes, at + offset)]
    times = _times_alike(data, numbers, step, (len(data) - at) // step)
    if times < _OFTEN:
        return None
    begin = np.arange(at, at + times * step, step)[:, None]
    offsets = {key: [offset for kind, offset in pattern if kind == key] for key, _ in pattern}
    return _Repeated({key: (begin + own).ravel() for key, own in offsets.items()}, at + times * step)


def _times_alike(data: bytes, numbers: list[tuple[str, int]], step: int, most: int) -> int:
    """How often in a row, every `step` bytes, the numbers at these places are what they are the first time."""
    rows = _GLANCE
    while True:
        rows = min(rows, most)
        alike = np.ones(rows, np.bool_)
        for form, place in numbers:
            column = np.ndarray((rows,), form, data, place, (step,))
            alike &= column == column[0]
        if not alike.all():
            return int(np.argmin(alike))
        if rows == most:
            return most
        rows *= 8


def _stated(size: int, id_bytes: int, place: int) -> list[tuple[str, int]]:
    """(format, place) of what tells the kind and the size of the record there."""
    kind = (f"<u{id_bytes}", place)
    return [kind] if size >= 0 else [kind, ("<u4", place + id_bytes)]


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
