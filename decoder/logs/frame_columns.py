"""Frames as growing columns, before a batch is made of them: select, join, name the channels."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, FrameBatch, Int64Array, ReadReport

LIN_CHANNEL = 0x8000  # set in `Columns.channel` for LIN: both kinds of bus number their channels from 1
NO_CHANNEL = 0x7FFF  # the log has no word for it
_SMALL_IDENTIFIER = 1 << 16  # below which a table of all identifiers is the fastest way
_KEEP = np.array([(1 << (8 * count)) - 1 for count in range(9)], np.uint64)  # low bytes of a little-endian u64


@dataclass(slots=True, eq=False)
class Columns:
    """n frames as in `FrameBatch`, but channel is a number with `LIN_CHANNEL` added where the bus is LIN."""

    time_ns: Int64Array
    channel: NDArray[np.uint16]
    identifier: NDArray[np.uint32]
    flags: NDArray[np.uint16]
    length: ByteArray
    payload: ByteArray
    checksum: NDArray[np.int16] | None = None

    def __len__(self) -> int:
        return len(self.time_ns)

    def select(self, rows: BoolArray | Int64Array | slice) -> Self:
        """The chosen rows."""
        columns = ((one.name, getattr(self, one.name)) for one in fields(self))
        return replace(self, **{name: column[rows] for name, column in columns if column is not None})


AnyColumns = TypeVar("AnyColumns", bound=Columns)


def is_wanted(identifier: NDArray[np.uint32], flags: NDArray[np.uint16], wanted: frozenset[int] | None) -> BoolArray:
    """Which frames to hand out: the wanted identifiers, and everything that tells of an error."""
    if wanted is None:
        return np.ones(len(identifier), np.bool_)
    sought = np.array([number for number in wanted if 0 <= number <= 0xFFFF_FFFF], np.uint32)
    highest = int(identifier.max()) if len(identifier) else 0
    chosen: BoolArray
    if highest < _SMALL_IDENTIFIER:
        table = np.zeros(highest + 1, np.bool_)
        table[sought[sought <= highest]] = True
        chosen = table[identifier]
    else:
        chosen = np.isin(identifier, sought)
    chosen |= flags & Flag.ERROR != 0
    return chosen


def gather(data: ByteArray, position: Int64Array, width: int) -> ByteArray:
    """Copy width bytes from each position on, (n, width); every position + width must lie inside data."""
    window = np.ndarray((max(len(data) - width + 1, 0),), f"V{width}", data, 0, (1,))
    return window[position].view(np.uint8).reshape(len(position), width)


def drop_all(report: ReadReport, kind: str, position: Int64Array, where: Callable[[int], str]) -> None:
    """Count a record for each position; only as many places are made into words as the report keeps."""
    shown = position[: report.MAX_DAMAGE].tolist()
    for place in shown:
        report.drop(kind, where(place))
    if len(position) > len(shown):
        report.dropped[kind] += len(position) - len(shown)


def clear_past(payload: ByteArray, length: ByteArray) -> ByteArray:
    """The payloads (n, width), zero past each row's length; the same array where nothing is to be cleared."""
    if len(length) and int(length.min()) >= payload.shape[1]:
        return np.ascontiguousarray(payload)
    if payload.shape[1] == 8:
        words = np.ascontiguousarray(payload).view("<u8")[:, 0]
        return (words & _KEEP[np.minimum(length, 8)]).astype("<u8").view(np.uint8).reshape(len(length), 8)
    inside = np.arange(payload.shape[1], dtype=np.uint8) < length[:, None]
    return np.where(inside, payload, np.uint8(0))


def concatenate(parts: Sequence[AnyColumns]) -> AnyColumns:
    """All rows of all parts, part by part; there is at least one part."""
    if len(parts) == 1:
        return parts[0]
    simple = {one.name for one in fields(parts[0])} - {"payload", "checksum"}
    joined = {name: np.concatenate([getattr(part, name) for part in parts]) for name in simple}
    return replace(parts[0], **joined, payload=_payload(parts), checksum=_checksum(parts))


def _payload(parts: Sequence[Columns]) -> ByteArray:
    width = max(part.payload.shape[1] for part in parts)
    if all(part.payload.shape[1] == width for part in parts):
        return np.concatenate([part.payload for part in parts])
    joined = np.zeros((sum(len(part) for part in parts), width), np.uint8)
    first = 0
    for part in parts:
        joined[first : first + len(part), : part.payload.shape[1]] = part.payload
        first += len(part)
    return joined


def _checksum(parts: Sequence[Columns]) -> NDArray[np.int16] | None:
    if all(part.checksum is None for part in parts):
        return None
    return np.concatenate(
        [np.full(len(part), -1, np.int16) if part.checksum is None else part.checksum for part in parts]
    )


def make_batch(columns: Columns, names: Mapping[int, str] | None = None) -> FrameBatch:
    """A batch of these frames. names: of channel numbers; others are "1" for CAN channel 1, "L1" for LIN channel 1."""
    channel, present = _index_channels(columns.channel)
    names = names or {}
    payload = columns.payload
    if payload.shape[1] > 8 and not (len(columns) and int(columns.length.max()) > 8):
        payload = payload[:, :8]
    return FrameBatch(
        columns.time_ns,
        channel,
        tuple(names.get(number, _name(number)) for number in present),
        columns.identifier,
        columns.flags,
        columns.length,
        np.ascontiguousarray(payload),
        columns.checksum,
    )


def _name(number: int) -> str:
    plain = number & ~LIN_CHANNEL
    if plain == NO_CHANNEL:
        return ""
    return f"L{plain}" if number & LIN_CHANNEL else str(plain)


def _index_channels(number: NDArray[np.uint16]) -> tuple[NDArray[np.uint16], list[int]]:
    """Each row's place in the list of the numbers that occur, and that list."""
    if len(number) and number.min() == number.max():
        return np.zeros(len(number), np.uint16), [int(number[0])]
    present = np.flatnonzero(np.bincount(number, minlength=1)).tolist()
    index = np.zeros(1 << 16, np.uint16)
    index[present] = np.arange(len(present))
    return index[number], present
