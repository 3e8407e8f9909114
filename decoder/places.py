"""The frames of a batch sorted by message, so that those of one message lie together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, FrameBatch, Int64Array
from decoder.logs import compiled


class MessageFrames(NamedTuple):
    """The frames of one message in a batch, in order. target: the message's number.

    rows: (k,) which frames of the batch. time_ns, length: (k,). payload: (k, width), C-contiguous.
    """

    target: int
    rows: Int64Array
    time_ns: Int64Array
    length: ByteArray
    payload: ByteArray

    def select(self, chosen: BoolArray) -> MessageFrames:
        """The chosen frames."""
        return MessageFrames(
            self.target, self.rows[chosen], self.time_ns[chosen], self.length[chosen], self.payload[chosen]
        )


class Places:
    """Which frames of a batch are which of the messages that are needed. needed: their numbers, of `count` in all."""

    def __init__(self, needed: Iterable[int], count: int) -> None:
        self._needed = sorted(needed)
        # message -> its place among the needed; the last place is for all others, UNKNOWN (-1) among them
        self._place: Int64Array = np.full(count + 1, len(self._needed))
        self._place[self._needed] = np.arange(len(self._needed))
        self._narrow = np.min_scalar_type(len(self._needed))

    def of(self, batch: FrameBatch, target: NDArray[np.int32]) -> Iterator[MessageFrames]:
        """The frames of each of the needed messages that has any. target: (n,) as in `decoder.route.Routed`."""
        place = self._place.take(target, mode="wrap")
        ends = np.cumsum(np.bincount(place, minlength=len(self._needed) + 1))
        rows, time_ns, length, payload = self._sorted(batch, place, ends)
        first = 0
        for number, last in zip(self._needed, ends.tolist(), strict=False):
            if last > first:
                own = slice(first, last)
                yield MessageFrames(number, rows[own], time_ns[own], length[own], payload[own])
            first = last

    def _sorted(
        self, batch: FrameBatch, place: Int64Array, ends: Int64Array
    ) -> tuple[Int64Array, Int64Array, ByteArray, ByteArray]:
        """The columns of `MessageFrames`, message after message."""
        words = batch.payload.view(np.uint64)
        wanted = int(ends[-2]) if self._needed else 0
        loops = compiled.frame_loops()
        if loops is not None:
            rows, time_ns = np.empty(wanted, np.int64), np.empty(wanted, np.int64)
            length, moved = np.empty(wanted, np.uint8), np.empty((wanted, words.shape[1]), np.uint64)
            starts = np.concatenate([[0], ends[:-1]])
            loops.sort_by_place(place, starts, batch.time_ns, batch.length, words, rows, time_ns, length, moved)
            return rows, time_ns, length, moved.view(np.uint8)
        chosen = None if wanted == len(place) else np.flatnonzero(place < len(self._needed))
        narrow = (place if chosen is None else place[chosen]).astype(self._narrow)
        order = np.argsort(narrow, kind="stable")
        rows = order if chosen is None else chosen[order]
        payload = words.take(rows, axis=0, mode="clip").view(np.uint8)
        return rows, batch.time_ns.take(rows, mode="clip"), batch.length.take(rows, mode="clip"), payload
