"""Frames as columns: a batch of a log, and what a reader says of the log beside its frames."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import IntFlag
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

Int64Array = NDArray[np.int64]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
ByteArray = NDArray[np.uint8]


class Flag(IntFlag):
    """Bits of `FrameBatch.flags`."""

    EXTENDED = 1  # 29-bit identifier
    FD = 2  # CAN FD frame
    REMOTE = 4  # remote frame: no data
    ERROR = 8  # error frame (CAN) or faulty frame (LIN): never decoded
    LIN = 16  # LIN frame; identifier is the 6-bit one
    NO_RESPONSE = 32  # LIN header without response (with ERROR)
    BAD_PARITY = 64  # LIN identifier parity wrong (with ERROR)
    BAD_CHECKSUM = 128  # LIN checksum known wrong by the logger (with ERROR)
    TRANSMIT = 256  # sent by the logger itself
    BIT_RATE_SWITCH = 512  # CAN FD
    ERROR_STATE = 1024  # CAN FD error state indicator


NOT_DATA = Flag.REMOTE | Flag.ERROR
FD_LENGTHS = (*range(9), 12, 16, 20, 24, 32, 48, 64)  # bytes of payload by length code: ISO 11898-1


@dataclass(frozen=True, slots=True, eq=False)
class FrameBatch:
    """Frames of one log in file order, column-wise; every column has n rows.

    time_ns: (n,) int64, UTC nanoseconds since 1970 where the log is absolute, else since the log's start.
    channel: (n,) uint16, index into channels. channels: what this log calls its channels ("" where it has none).
    identifier: (n,) uint32. flags: (n,) uint16 of `Flag`. length: (n,) uint8, payload bytes present.
    payload: (n, width) uint8, C-contiguous, width 8 or 64, zero past length.
    checksum: (n,) int16, LIN checksum byte where the log has it, -1 where not; None if the batch has none at all.
    """

    time_ns: Int64Array
    channel: NDArray[np.uint16]
    channels: tuple[str, ...]
    identifier: NDArray[np.uint32]
    flags: NDArray[np.uint16]
    length: ByteArray
    payload: ByteArray
    checksum: NDArray[np.int16] | None = None

    def __len__(self) -> int:
        return len(self.time_ns)

    def take(self, chosen: BoolArray | Int64Array | slice) -> FrameBatch:
        """The chosen rows."""
        return replace(
            self,
            time_ns=self.time_ns[chosen],
            channel=self.channel[chosen],
            identifier=self.identifier[chosen],
            flags=self.flags[chosen],
            length=self.length[chosen],
            payload=self.payload[chosen],
            checksum=None if self.checksum is None else self.checksum[chosen],
        )


@dataclass(frozen=True, slots=True)
class Damage:
    """A place in a log that could not be read. where: "line 12" or "byte 4096". lost: frames or records, -1 unknown."""

    where: str
    what: str
    lost: int = 1


@dataclass(slots=True)
class ReadReport:
    """What a reader found beside its frames; filled while the batches are drawn, complete when they end.

    frames: handed out (data, remote and error frames alike). dropped: records that could not be read, by kind of
    damage. damage: the first of them with their place (`MAX_DAMAGE` at most; `dropped` counts all).
    notes: what was assumed, for example that the start time is local time.
    """

    format: str
    frames: int = 0
    skipped: dict[str, int] = field(default_factory=dict)  # well-formed records that hold no frame, by kind
    dropped: dict[str, int] = field(default_factory=dict)
    damage: list[Damage] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    MAX_DAMAGE: ClassVar[int] = 100

    def note(self, text: str) -> None:
        """Tell what was assumed, once."""
        if text not in self.notes:
            self.notes.append(text)

    def skip(self, kind: str, count: int = 1) -> None:
        """Count well-formed records that hold no frame."""
        self.skipped[kind] = self.skipped.get(kind, 0) + count

    def drop(self, kind: str, where: str, lost: int = 1) -> None:
        """Count a record that could not be read, and keep its place if there is room."""
        self.dropped[kind] = self.dropped.get(kind, 0) + max(lost, 1)
        if len(self.damage) < self.MAX_DAMAGE:
            self.damage.append(Damage(where, kind, lost))
