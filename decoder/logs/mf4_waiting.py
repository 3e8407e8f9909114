"""MF4 payloads of variable length among mixed records: each record names the offset at which its payload begins."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from decoder.frames import BoolArray, ByteArray, Int64Array, ReadReport
from decoder.logs.frame_columns import drop_all, gather
from decoder.logs.mf4_groups import FrameGroup, value_offsets

LONGEST = 64  # bytes of a payload
_MOST_WAITING = 262_144  # records whose payload has not come yet
_MOST_ANCHORS = 50  # damaged places in one stretch that are bridged


def at_byte(place: int) -> str:
    """A place in the file, for people."""
    return f"byte {place}"


def values_at(window: ByteArray, at: Int64Array) -> tuple[ByteArray, ByteArray, BoolArray]:
    """Payload (n, 64), length, and which could be read, of the values that begin at the given bytes of the window."""
    inside = (at >= 0) & (at + 4 <= len(window))
    padded = np.concatenate([window, np.zeros(4 + LONGEST, np.uint8)])
    at = np.where(inside, at, 0)
    length = gather(padded, at, 4).view("<u4")[:, 0].astype(np.int64)
    inside &= (length <= LONGEST) & (at + 4 + length <= len(window))
    return gather(padded, at + 4, LONGEST), np.where(inside, length, 0).astype(np.uint8), inside


@dataclass(slots=True, eq=False)
class Waiting:
    """Records and payloads of one group that have not met yet. next_offset: where the next payload would begin."""

    group: FrameGroup
    next_offset: int = 0
    offsets: Int64Array = field(default_factory=lambda: np.empty(0, np.int64))
    payload: ByteArray = field(default_factory=lambda: np.empty((0, LONGEST), np.uint8))
    length: ByteArray = field(default_factory=lambda: np.empty(0, np.uint8))
    records: ByteArray | None = None
    places: Int64Array = field(default_factory=lambda: np.empty(0, np.int64))

    def add_values(self, data: ByteArray, position: Int64Array, id_bytes: int) -> None:
        """Payloads in file order: position of each record in data."""
        payload, length, _ = values_at(data, position + id_bytes)
        stated = gather(data, position + id_bytes, 4).view("<u4")[:, 0].astype(np.int64)
        begin = self.next_offset + np.concatenate([[0], np.cumsum(stated + 4)])
        self.next_offset = int(begin[-1])
        self.offsets = np.concatenate([self.offsets, begin[:-1]])
        self.payload = np.concatenate([self.payload, payload])
        self.length = np.concatenate([self.length, length])

    def meet(
        self, report: ReadReport, records: ByteArray, places: Int64Array, *, final: bool
    ) -> tuple[ByteArray, Int64Array, tuple[ByteArray, ByteArray]]:
        """The records whose payload is here; the others wait, at the end of the data they are dropped."""
        if self.records is not None:
            records, places = np.concatenate([self.records, records]), np.concatenate([self.places, places])
        variable = self.group.variable
        assert variable is not None
        sought = value_offsets(records, variable)
        index, found = self._find(sought)
        for _ in range(_MOST_ANCHORS):
            if not self._anchor(sought, index, found):
                break
            index, found = self._find(sought)
        later = ~found & (sought >= self.next_offset) & (not final) & (len(records) < _MOST_WAITING)
        drop_all(report, "missing_payload", places[~found & ~later], at_byte)
        values = self.payload[index[found]], self.length[index[found]]
        self.records, self.places = records[later], places[later]
        used = int(index[found].max()) + 1 if found.any() else max(len(self.offsets) - _MOST_WAITING, 0)
        self._drop_before(used)
        return records[found], places[found], values

    def _find(self, sought: Int64Array) -> tuple[Int64Array, BoolArray]:
        """Which payload begins at each offset, and whether one does."""
        if not len(self.offsets):
            return np.zeros(len(sought), np.int64), np.zeros(len(sought), np.bool_)
        index = np.minimum(np.searchsorted(self.offsets, sought), len(self.offsets) - 1).astype(np.int64)
        found: BoolArray = self.offsets[index] == sought
        return index, found

    def _anchor(self, sought: Int64Array, index: Int64Array, found: BoolArray) -> bool:
        """Shift the payloads behind a damaged place to where the records say they begin; False if that helps nothing.

        Sound data leave records or payloads over, never both: a payload that was lost has moved all that follow.
        """
        met_entries = np.zeros(len(self.offsets), np.bool_)
        met_entries[index[found]] = True
        if found.all() or met_entries.all():
            return False
        first = int(np.argmin(met_entries))
        rest, lonely = self.offsets[first:], sought[int(np.argmin(found)) :]
        if len(lonely) < 2 or len(rest) < 2:
            return False
        best, best_shift, best_skip = max(1, int(np.isin(rest, lonely).sum())), 0, 0
        for skip in range(min(len(rest), 4)):
            for target in lonely[:4].tolist():
                shift = target - int(rest[skip])
                met = int(np.isin(rest[skip:] + shift, lonely).sum())
                if shift and met > best:
                    best, best_shift, best_skip = met, shift, skip
        if not best_shift:
            return False
        if best_shift < 0 and first + best_skip and rest[best_skip] + best_shift < self.offsets[first + best_skip - 1]:
            self._drop_before(first + best_skip)
            first = best_skip = 0
        self.offsets = self.offsets.copy()
        self.offsets[first + best_skip :] += best_shift
        self.next_offset += best_shift
        return True

    def _drop_before(self, row: int) -> None:
        self.offsets, self.payload, self.length = self.offsets[row:], self.payload[row:], self.length[row:]
