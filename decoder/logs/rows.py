"""Frames that were read one by one, and their place among those that were read as columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, FrameBatch, Int64Array, ReadReport
from decoder.logs.frame_columns import Columns, concatenate, is_wanted
from decoder.logs.lines import Lines
from decoder.logs.source import ReadOptions

_FEW_CHANNELS = 32  # of one buffer that are told apart as columns
MAX_CHANNELS = 4096  # no logger has more; a file that names more is damaged
MAX_IDENTIFIER = 0x1FFFFFFF
MAX_BASE_IDENTIFIER = 0x7FF
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


@dataclass(slots=True, eq=False, kw_only=True)
class Placed(Columns):
    """Frames of one buffer; index: (n,) their places among its records, channel: of `Channels`, for LIN as for CAN."""

    index: Int64Array


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

    def numbers(self, words: NDArray[np.uint64], rows: BoolArray) -> tuple[NDArray[np.uint16], BoolArray]:
        """As `number`, of those rows' names of up to eight bytes, zeros behind them; and which rows have a number.

        A name that cannot be printed has none, nor has any after the first few.
        """
        number, known = np.zeros(len(words), np.uint16), np.zeros(len(words), np.bool_)
        left = np.flatnonzero(rows)
        for _ in range(_FEW_CHANNELS):
            if not len(left):
                break
            same = left[words[left] == words[left[0]]]
            name = int(words[left[0]]).to_bytes(8, "little").rstrip(b"\0")
            found = self.number(name.decode()) if name.isascii() and name.decode().isprintable() else -1
            number[same], known[same] = max(found, 0), found >= 0
            left = left[words[left] != words[left[0]]]
        return number, known

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self._number)


def columns_of(rows: Sequence[Row]) -> Placed:
    """Single rows as columns."""
    width = 8 if all(len(row.data) <= 8 for row in rows) else 64
    payload = np.zeros((len(rows), width), np.uint8)
    for place, row in enumerate(rows):
        if row.data:
            payload[place, : len(row.data)] = np.frombuffer(row.data, np.uint8)
    checksum = None
    if any(row.checksum >= 0 for row in rows):
        checksum = np.array([row.checksum for row in rows], np.int16)
    return Placed(
        np.array([row.time_ns for row in rows], np.int64),
        np.array([row.channel for row in rows], np.uint16),
        np.array([row.identifier for row in rows], np.uint32),
        np.array([row.flags for row in rows], np.uint16),
        np.array([len(row.data) for row in rows], np.uint8),
        payload,
        checksum,
        index=np.array([row.index for row in rows], np.int64),
    )


def with_true_times(parts: Sequence[Placed], lines: Lines, report: ReadReport) -> list[Placed]:
    """The frames whose time can be true; the lines of the others are dropped."""
    kept = []
    for part in parts:
        if part.time_ns.min(initial=0) >= 0 and part.time_ns.max(initial=0) <= MAX_TIME_NS:
            kept.append(part)
            continue
        true = (part.time_ns >= 0) & (part.time_ns <= MAX_TIME_NS)
        for index in part.index[~true].tolist():
            report.drop("time_out_of_range", f"line {lines.number[index]}")
        kept.append(part.select(true))
    return kept


def batch_of(parts: Sequence[Placed], channels: Channels, options: ReadOptions) -> tuple[int, FrameBatch | None]:
    """Join the parts of one buffer in file order and keep the wanted identifiers.

    Returns how many frames there were, and those to hand out; None if there are none.
    """
    parts = [part for part in parts if len(part)]
    if not parts:
        return 0, None
    whole = concatenate(parts)
    if len(parts) > 1:
        whole = whole.select(np.argsort(whole.index, kind="stable"))
    count = len(whole)
    if options.wanted is not None:
        whole = whole.select(is_wanted(whole.identifier, whole.flags, options.wanted))
    if not len(whole):
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
