"""Where the records of a pcap file begin: a walk along their lengths, and the way on behind a damaged one.

Source: draft-ietf-opsawg-pcap: a record has four u32 (seconds, fraction, captured length, length on the wire).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from struct import Struct
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Int64Array
from decoder.logs.frame_columns import gather

RECORD_HEADER = 16
LARGEST_RECORD = 262_144  # captured bytes; the usual snap length of capture programs
_ALIKE = 8  # records of one size in a row after which many more are expected
_NEAR_S = 86_400  # between neighbouring records usually lies less
_USUAL_RECORD = 2048  # captured bytes that are believed where nothing else speaks for a record
_MOST_TRIED = 2000  # places that are looked at closely, in one search

HeaderArray = NDArray[np.uint32]


def walk(data: bytes, start: int, order: str) -> tuple[Int64Array, int, bool]:
    """Beginnings of the whole records from start on, the end of the last, and whether what follows is no record.

    order: "<" or ">".
    """
    read_length = Struct(f"{order}I").unpack_from

    def size_at(at: int) -> int:
        length = int(read_length(data, at + 8)[0])
        return 0 if length > LARGEST_RECORD else RECORD_HEADER + length

    found, end = chain(data, start, RECORD_HEADER, size_at, lambda size: Words(order, {8: size - RECORD_HEADER}))
    return found, end, end + RECORD_HEADER <= len(data) and not size_at(end)


class Words(NamedTuple):
    """What records that are alike share: offset -> value of a u32. order: "<" or ">"."""

    order: str
    at: Mapping[int, int]


def chain(
    data: bytes, start: int, least: int, size_at: Callable[[int], int], alike: Callable[[int], Words]
) -> tuple[Int64Array, int]:
    """Beginnings of the whole records that follow one another from start on, and the end of the last.

    least: bytes that a record has at least. size_at: bytes of the record at a place, 0 where none can begin there.
    alike: what records of so many bytes have in common; where several of one size follow each other, more such records
    are found by these words alone.
    """
    view = np.frombuffer(data, np.uint8)
    found: list[Int64Array] = []
    loose: list[int] = []
    at, total, last, in_a_row = start, len(data), 0, 0
    while at + least <= total:
        size = size_at(at)
        if not size or at + size > total:
            break
        loose.append(at)
        at += size
        in_a_row = in_a_row + 1 if size == last else 0
        last = size
        if in_a_row == _ALIKE:
            count = _count_alike(view, at, size, alike(size))
            found += [np.array(loose, np.int64), at + np.arange(count, dtype=np.int64) * size]
            loose, in_a_row = [], 0
            at += count * size
    return np.concatenate([*found, np.array(loose, np.int64)]), at


def _count_alike(view: ByteArray, at: int, step: int, same: Words) -> int:
    """How many whole records of step bytes follow one another from at on and have those words."""
    most = (len(view) - at) // step
    known, block = 0, 64
    while known < most:
        part = alike = min(block, most - known)
        for offset, value in same.at.items():
            words = np.ndarray((alike,), f"{same.order}u4", view, at + known * step + offset, (step,))
            different = np.flatnonzero(words != value)
            alike = int(different[0]) if len(different) else alike
        known += alike
        if alike < part:
            break
        block *= 8
    return known


def sound(header: HeaderArray, fraction: int) -> BoolArray:
    """Which record headers (n, 4) can be true. fraction: parts of a second that the second column counts.

    Nobody captures an empty packet from a bus; a stretch of zeros would be nothing else.
    """
    captured = header[:, 2]
    result: BoolArray = (header[:, 1] < fraction) & (captured <= header[:, 3])
    result &= (captured > 0) & (captured <= LARGEST_RECORD)
    return result


def count_sound(header: HeaderArray, fraction: int, trusted: Sequence[int]) -> int:
    """How many record headers are sound before the first that is not.

    trusted: seconds that sound records before these had. A jump of more than a day is believed where the records behind
    it stay where it led.
    """
    seconds = header[:, 0].astype(np.int64)
    before = np.concatenate([[trusted[-1] if trusted else seconds[0]], seconds[:-1]])
    jump = np.abs(seconds - before) >= _NEAR_S
    unsettled = np.zeros(len(header), np.bool_)
    for row in np.flatnonzero(jump).tolist():
        after = jump[row + 1 : row + 4]
        unsettled[row] = (len(after) < 3 or bool(after.any())) and not _is_near(int(seconds[row]), trusted)
    faulty = np.flatnonzero(~sound(header, fraction) | unsettled)
    return int(faulty[0]) if len(faulty) else len(header)


def _is_near(second: int, trusted: Sequence[int]) -> bool:
    return any(abs(second - other) < _NEAR_S for other in trusted)


def find_next(data: bytes, start: int, order: str, fraction: int, trusted: Sequence[int]) -> int:
    """The first place from start on where sound records follow one another; -1 if there is none.

    Three that are within a day of the trusted seconds, else six within a day of each other.
    """
    view = np.frombuffer(data, np.uint8)
    count = len(data) - RECORD_HEADER + 1 - start
    if count <= 0:
        return -1
    seconds = np.ndarray((count,), f"{order}u4", view, start, (1,)).astype(np.int64)
    near = np.zeros(count, np.bool_)
    for other in trusted:
        near |= np.abs(seconds - other) < _NEAR_S
    captured = np.ndarray((count,), f"{order}u4", view, start + 8, (1,))
    for chosen, records, anchors in ((near, 3, trusted), (~near & (captured <= _USUAL_RECORD), 6, None)):
        places = start + np.flatnonzero(chosen)
        places = places[sound(gather(view, places, RECORD_HEADER).view(f"{order}u4"), fraction)]
        for place in places[:_MOST_TRIED].tolist():
            if _leads_on(data, place, records, order, fraction, anchors):
                return int(place)
    return -1


def _leads_on(data: bytes, place: int, records: int, order: str, fraction: int, trusted: Sequence[int] | None) -> bool:
    """Whether so many sound records follow one another from place on, or the data end with a whole one."""
    at = place
    for _ in range(records):
        if at == len(data):
            return trusted is not None
        if at + RECORD_HEADER > len(data):
            return False
        header = np.frombuffer(data, f"{order}u4", 4, at).reshape(1, 4)
        trusted = trusted or (int(header[0, 0]),)
        if not sound(header, fraction)[0] or not _is_near(int(header[0, 0]), trusted):
            return False
        at += RECORD_HEADER + int(header[0, 2])
    return at <= len(data)
