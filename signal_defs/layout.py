"""One signal in one message: the neutral layout that every database is turned into."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

ByteOrder = Literal["little", "big"]
Match = Literal["exact", "pgn"]
BusKind = Literal["can", "lin"]
Checksum = Literal["classic", "enhanced", "unknown"]


@dataclass(frozen=True, slots=True)
class Multiplexed:
    """When a signal is present: its multiplexer's raw value lies in one of `ranges` (both ends included).

    The multiplexer may be multiplexed itself; it is looked up by name in the same message.
    """

    by: str
    ranges: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class SignalLayout:
    """Where a signal's bits are and what they mean.

    start: bit number byte*8 + bit (bit 0 = least significant); for "little" the least significant bit of the signal,
    for "big" its most significant bit (the DBC convention). length: in bits; over 64 only with is_bytes.
    Physical value = raw * scale + offset, raw taken as two's complement if signed, as IEEE 754 if is_float.
    minimum, maximum: physical range the database gives, None if none.
    choices: raw value -> name. invalid: inclusive ranges of raw values (as unpacked, sign applied) that mean
    "not available" or "error". multiplexed: None if always present. is_bytes: a byte array, never scaled.
    """

    name: str
    start: int
    length: int
    byte_order: ByteOrder = "little"
    signed: bool = False
    is_float: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    choices: Mapping[int, str] = field(default_factory=dict)
    invalid: tuple[tuple[int, int], ...] = ()
    multiplexed: Multiplexed | None = None
    is_multiplexer: bool = False
    is_bytes: bool = False
    comment: str = ""

    @property
    def raw_limits(self) -> tuple[int, int]:
        """Lowest and highest raw value that the bits can hold, as a whole number."""
        if self.signed:
            return -(1 << self.length - 1), (1 << self.length - 1) - 1
        return 0, (1 << self.length) - 1


@dataclass(frozen=True, slots=True)
class MessageLayout:
    """One message. identifier: 11 or 29 bits on CAN, 6 bits on LIN. length: payload bytes.

    match: "exact", or "pgn" where a J1939-style database means the parameter group whatever the sender.
    checksum: LIN only, what the definition says. cycle_s: expected period [s], None if not given.
    """

    name: str
    identifier: int
    length: int
    signals: tuple[SignalLayout, ...]
    extended: bool = False
    is_fd: bool = False
    match: Match = "exact"
    checksum: Checksum = "unknown"
    cycle_s: float | None = None
    comment: str = ""

    def signal(self, name: str) -> SignalLayout:
        """The signal of that name; KeyError if there is none."""
        for signal in self.signals:
            if signal.name == name:
                return signal
        raise KeyError(name)
