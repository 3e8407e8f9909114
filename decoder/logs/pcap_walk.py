"""Where the records of a pcap file begin: a walk along their lengths, and the way on behind a damaged one.

Source: draft-ietf-opsawg-pcap: a record has four u32 (seconds, fraction, captured length, length on the wire).
"""

from __future__ import annotations

from struct import Struct

import numpy as np

from decoder.frames import BoolArray, ByteArray, Int64Array
from decoder.logs.frame_columns import gather

RECORD_HEADER = 16
LARGEST_RECORD = 262_144  # captured bytes; the usual snap length of capture programs
_ALIKE = 8  # records of one size in a row after which many more are expected
_NEAR_S = 86_400  # how far from the last sound record the next may lie, when searching


def walk(data: bytes, start: int, order: str) -> tuple[list[int] | Int64Array, int, bool]:
    """Beginnings of the whole records from start on, the end of the last, and whether what follows is no record.

    order: "<" or ">".
    """
    read_length = Struct(f"{order}I").unpack_from
    view = np.frombuffer(data, np.uint8)
    found: list[Int64Array] = []
    loose: list[int] = []
    at, total, last, alike = start, len(data), -1, 0
    while at + RECORD_HEADER <= total:
        length = read_length(data, at + 8)[0]
        if length > LARGEST_RECORD:
            return _joined(found, loose), at, True
        following = at + RECORD_HEADER + length
        if following > total:
            break
        loose.append(at)
        at = following
        alike = alike + 1 if length == last else 0
        last = length
        if alike == _ALIKE:
            count = count_alike(view, at, RECORD_HEADER + length, order, ((8, length),))
            if count:
                found += [np.array(loose, np.int64), at + np.arange(count, dtype=np.int64) * (RECORD_HEADER + length)]
                loose = []
                at += count * (RECORD_HEADER + length)
            alike = 0
    return _joined(found, loose), at, False


def _joined(found: list[Int64Array], loose: list[int]) -> Int64Array:
    return np.concatenate([*found, np.array(loose, np.int64)])


def count_alike(view: ByteArray, at: int, step: int, order: str, same: tuple[tuple[int, int], ...]) -> int:
    """How many whole records of step bytes follow one another from at on.

    same: (offset, value) of the u32 that all of them share.
    """
    most = (len(view) - at) // step
    known, block = 0, 64
    while known < most:
        part = alike = min(block, most - known)
        for offset, value in same:
            words = np.ndarray((alike,), f"{order}u4", view, at + known * step + offset, (step,))
            different = np.flatnonzero(words != value)
            alike = int(different[0]) if len(different) else alike
        known += alike
        if alike < part:
            break
        block *= 8
    return known


def sound(header: np.ndarray[tuple[int, int], np.dtype[np.uint32]], fraction: int) -> BoolArray:
    """Which record headers (n, 4) can be true. fraction: parts of a second that the second column counts."""
    result: BoolArray = (header[:, 1] < fraction) & (header[:, 2] <= header[:, 3]) & (header[:, 2] <= LARGEST_RECORD)
    return result


def find_next(data: bytes, start: int, order: str, fraction: int, near_s: int) -> int:
    """The first place from start on where three sound records follow one another; -1 if there is none.

    near_s: seconds of the last sound record; the next is expected within a day of it.
    """
    view = np.frombuffer(data, np.uint8)
    places = np.arange(start, max(len(data) - RECORD_HEADER + 1, start), dtype=np.int64)
    if not len(places):
        return -1
    seconds = np.ndarray((len(places),), f"{order}u4", view, start, (1,)).astype(np.int64)
    places = places[np.abs(seconds - near_s) < _NEAR_S]
    for _ in range(3):
        if not len(places):
            return -1
        header = gather(view, places, RECORD_HEADER).view(f"{order}u4")
        places = places[sound(header, fraction)]
    for place in places.tolist():
        at = place
        for _ in range(3):
            if at + RECORD_HEADER > len(data):
                break
            header = np.frombuffer(data, f"{order}u4", 4, at).reshape(1, 4)
            if not sound(header, fraction)[0] or abs(int(header[0, 0]) - near_s) >= _NEAR_S:
                break
            at += RECORD_HEADER + int(header[0, 2])
        else:
            return int(place)
        if at == len(data):
            return int(place)
    return -1
