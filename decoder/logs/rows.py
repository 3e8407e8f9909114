"""Frames that were read one by one, and their place among those that were read as columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, FrameBatch, Int64Array
from decoder.logs.source import ReadOptions

MAX_CHANNELS = 4096  # no logger has more; a file that names more is damaged
MAX_IDENTIFIER = 0x1FFFFFFF
MAX_BASE_IDENTIFIER = 0x7FF
ABSOLUTE_FROM_NS = 315_532_800 * 10**9  # 1980: a smaller time counts from the log's start
MAX_TIME_NS = 4_102_444_800 * 10**9  # the year 2100: a later stamp is damage


@dataclass(frozen=True, slots=True)
class Row:
    """One frame of an unusual record. index: its place among the records of the buffer."""

    index: int
    time_ns: int
    channel: int
    identifier: int
    flags: int
    data: bytes = b""
    checksum: int = -1


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Frames of one buffer that were read as columns; index: (n,) their places among the records of the buffer."""

    index: Int64Array
    time_ns: Int64Array
    channel: NDArray[np.uint16]
    identifier: NDArray[np.uint32]
    flags: NDArray[np.uint16]
    length: ByteArray
    payload: ByteArray
    checksum: NDArray[np.int16] | None = None

    def take(self, chosen: BoolArray | Int64Array) -> Columns:
        """The chosen rows."""
        return Columns(
            self.index[chosen],
            self.time_ns[chosen],
            self.channel[chosen],
            self.identifier[chosen],
            self.flags[chosen],
            self.length[chosen],
            self.payload[chosen],
            None if self.checksum is None else self.checksum[chosen],
        )

    def moved(self, time_ns: Int64Array) -> Columns:
        """The same frames at other times."""
        return replace(self, time_ns=time_ns)


class Channels:
    """The names of a log's channels in the order of their first frame."""

    def __init__(self) -> None:
        self._number: dict[str, int] = {}

    def number(self, name: str) -> int:
        """The index of a channel, new or known; -1 if there are already `MAX_CHANNELS`."""
        known = self._number.get(name)
        if known is None:
            if len(self._number) >= MAX_CHANNELS:
                return -1
            known = self._number[name] = len(self._number)
        return known

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self._number)


def columns_of(rows: Sequence[Row]) -> Columns:
    """Single rows as columns."""
    count = len(rows)
    width = 8 if all(len(row.data) <= 8 for row in rows) else 64
    payload = np.zeros((count, width), np.uint8)
    for place, row in enumerate(rows):
        if row.data:
            payload[place, : len(row.data)] = np.frombuffer(row.data, np.uint8)
    checksum = None
    if any(row.checksum >= 0 for row in rows):
        checksum = np.array([row.checksum for row in rows], np.int16)
    return Columns(
        np.array([row.index for row in rows], np.int64),
        np.array([row.time_ns for row in rows], np.int64),
        np.array([row.channel for row in rows], np.uint16),
        np.array([row.identifier for row in rows], np.uint32),
        np.array([row.flags for row in rows], np.uint16),
        np.array([len(row.data) for row in rows], np.uint8),
        payload,
        checksum,
    )


def batch_of(parts: Sequence[Columns], channels: Channels, options: ReadOptions) -> tuple[int, FrameBatch | None]:
    """Join the parts of one buffer in file order and keep the wanted identifiers.

    Returns how many frames there were, and those to hand out; None if there are none.
    """
    parts = [part for part in parts if len(part.index)]
    if not parts:
        return 0, None
    whole = parts[0] if len(parts) == 1 else _join(parts)
    count = len(whole.index)
    if options.wanted is not None:
        wanted = np.array([number for number in options.wanted if 0 <= number <= MAX_IDENTIFIER], np.uint32)
        keep = np.isin(whole.identifier, wanted) | ((whole.flags & int(Flag.ERROR)) != 0)
        whole = whole.take(keep)
    if not len(whole.index):
        return count, None
    return count, FrameBatch(
        whole.time_ns,
        whole.channel,
        channels.names,
        whole.identifier,
        whole.flags,
        whole.length,
        whole.payload,
        whole.checksum,
    )


def _join(parts: Sequence[Columns]) -> Columns:
    index = np.concatenate([part.index for part in parts])
    width = max(part.payload.shape[1] for part in parts)
    payload = np.zeros((len(index), width), np.uint8)
    at = 0
    for part in parts:
        payload[at : at + len(part.index), : part.payload.shape[1]] = part.payload
        at += len(part.index)
    checksum = None
    if any(part.checksum is not None for part in parts):
        checksum = np.concatenate(
            [np.full(len(part.index), -1, np.int16) if part.checksum is None else part.checksum for part in parts]
        )
    joined = Columns(
        index,
        np.concatenate([part.time_ns for part in parts]),
        np.concatenate([part.channel for part in parts]),
        np.concatenate([part.identifier for part in parts]),
        np.concatenate([part.flags for part in parts]),
        np.concatenate([part.length for part in parts]),
        payload,
        checksum,
    )
    return joined.take(np.argsort(index, kind="stable"))
