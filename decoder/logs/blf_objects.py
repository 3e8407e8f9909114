"""BLF objects as columns: where each type keeps channel, identifier, length and data.

All little-endian. An object's header is 32 bytes (version 1) or 40 (version 2): flags (u32) at 16 tell the unit of the
time stamp (u64) at 24, 1 for 10 us and 2 for 1 ns. Offsets below count from the end of that header.
Source: the openly licensed readers of the format and their sample objects; there is no public specification.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, Int64Array
from decoder.logs.frame_columns import LIN_CHANNEL, Columns, clear_past, gather

HEADER_END = 16  # where the header's part that depends on its version begins
CONTAINER = 10

_ID_MASK = 0x1FFF_FFFF
_EXTENDED_BIT = 31
_CLASSIC_BYTES = 8
_FD_BYTES = 64
_FD64_DATA = 40
_FD64_REMOTE, _FD64_FDF, _FD64_BRS, _FD64_ESI = 0x10, 0x1000, 0x2000, 0x4000
_FD_REMOTE, _FD_EDL, _FD_BRS, _FD_ESI = 0x80, 1, 2, 4
_FD_ERROR_DATA = 44


@dataclass(frozen=True, slots=True)
class Layout:
    """One object type. fields: name -> (numpy format, offset). family: which function turns rows into columns."""

    family: str
    fields: dict[str, tuple[str, int]]
    flags: int = 0  # of every frame of this type

    @property
    def body_bytes(self) -> int:
        return max(offset + np.dtype(form).itemsize for form, offset in self.fields.values())


_CAN = {"channel": ("<u2", 0), "flags": ("u1", 2), "dlc": ("u1", 3), "id": ("<u4", 4), "data": ("<u8", 8)}
_FD = {
    "channel": ("<u2", 0),
    "flags": ("u1", 2),
    "id": ("<u4", 4),
    "fd": ("u1", 13),
    "valid": ("u1", 14),
    "data": ("V64", 20),
}
_FD64 = {
    "channel": ("u1", 0),
    "valid": ("u1", 2),
    "id": ("<u4", 4),
    "flags": ("<u4", 12),
    "direction": ("u1", 34),
    "extension": ("u1", 35),
}
_CAN_ERROR = {"channel": ("<u2", 0)}
_CAN_ERROR_EXT = {"channel": ("<u2", 0), "dlc": ("u1", 10), "id": ("<u4", 16), "data": ("<u8", 24)}
_FD_ERROR = {"channel": ("u1", 0), "valid": ("u1", 2), "extension": ("u1", 10), "id": ("<u4", 12)}
_LIN = {
    "channel": ("<u2", 0),
    "id": ("u1", 2),
    "dlc": ("u1", 3),
    "data": ("<u8", 4),
    "checksum": ("<u2", 16),
    "direction": ("u1", 18),
}
_LIN2 = {
    "channel": ("<u2", 12),
    "id": ("u1", 37),
    "dlc": ("u1", 38),
    "data": ("<u8", 112),
    "checksum": ("<u2", 120),
    "direction": ("u1", 122),
}
_LIN_FAULT = {"channel": ("<u2", 0), "id": ("u1", 2)}
_LIN_FAULT2 = {"channel": ("<u2", 12), "id": ("u1", 37)}
_LIN_NAMELESS = {"channel": ("<u2", 0)}
_LIN_NAMELESS2 = {"channel": ("<u2", 12)}

LAYOUTS = {
    1: Layout("can", _CAN),
    2: Layout("can error", _CAN_ERROR, Flag.ERROR),
    11: Layout("lin", _LIN, Flag.LIN),
    12: Layout("lin", _LIN, Flag.LIN | Flag.ERROR | Flag.BAD_CHECKSUM),
    14: Layout("lin", _LIN_FAULT, Flag.LIN | Flag.ERROR),  # receive error
    15: Layout("lin", _LIN_FAULT, Flag.LIN | Flag.ERROR | Flag.NO_RESPONSE),  # header sent, nobody answered
    16: Layout("lin", _LIN_NAMELESS, Flag.LIN | Flag.ERROR),  # responder's time-out
    18: Layout("lin", _LIN_NAMELESS, Flag.LIN | Flag.ERROR),  # synchronisation
    57: Layout("lin", _LIN2, Flag.LIN),
    58: Layout("lin", _LIN_FAULT2, Flag.LIN | Flag.ERROR | Flag.NO_RESPONSE),
    59: Layout("lin", _LIN_NAMELESS2, Flag.LIN | Flag.ERROR),
    60: Layout("lin", _LIN2, Flag.LIN | Flag.ERROR | Flag.BAD_CHECKSUM),
    61: Layout("lin", _LIN_FAULT2, Flag.LIN | Flag.ERROR),
    73: Layout("can error", _CAN_ERROR_EXT, Flag.ERROR),
    86: Layout("can", _CAN),
    100: Layout("fd", _FD),
    101: Layout("fd64", _FD64),
    104: Layout("fd64", _FD_ERROR, Flag.ERROR | Flag.FD),
}
LIN_EVENTS = {20: "lin_sleep", 21: "lin_wake_up", 62: "lin_wake_up"}  # hold no frame


def plausible_sizes() -> Int64Array:
    """(257, 2) smallest and largest size of an object of each type; (0, 0) where nothing is known."""
    sizes = np.zeros((257, 2), np.int64)
    for kind, layout in LAYOUTS.items():
        low = 32 + layout.body_bytes
        sizes[kind] = low, low + {"fd64": 128, "lin": 112}.get(layout.family, 40)
    sizes[CONTAINER, 0] = 32
    return sizes


@dataclass(frozen=True, slots=True, eq=False)
class Objects:
    """Objects of a stretch of bytes. position: (n,) of each. step: as in `Chain`."""

    data: ByteArray
    position: Int64Array
    step: int = 0

    def select(self, rows: Int64Array) -> Objects:
        return Objects(self.data, self.position[rows])

    def number(self, form: str, offset: int) -> NDArray[Any]:
        """The number of that format at an offset of every object: (n,)."""
        width = np.dtype(form).itemsize
        if self.step:  # where objects stand evenly, their headers are alike
            step = self.step if offset >= HEADER_END else 0
            return np.ndarray((len(self.position),), form, self.data, offset, (step,))
        return gather(self.data, self.position + offset, width).view(form)[:, 0]

    def rows(self, form: np.dtype[Any]) -> NDArray[Any]:
        """The first bytes of every object as a structured type: (n,)."""
        if self.step:
            return np.ndarray((len(self.position),), form, self.data, 0, (self.step,))
        return gather(self.data, self.position, form.itemsize).view(form).reshape(len(self.position))


def _times(unit: NDArray[np.uint32], ticks: NDArray[np.uint64]) -> tuple[Int64Array, BoolArray]:
    """Time stamps of objects [ns from the log's start], and which of them can be true (less than 146 years)."""
    coarse = unit & 3 == 1
    mixed = coarse.any() and not coarse.all()
    factor = np.where(coarse if mixed else coarse[:1], np.uint64(10_000), np.uint64(1))
    true = ticks <= (np.uint64(1 << 62) // factor)
    time_ns = (ticks * factor).view(np.int64)
    if not true.all():
        time_ns[~true] = 0
    return time_ns, true


def identifiers(objects: Objects, header: int, layout: Layout) -> NDArray[np.uint32]:
    """Identifiers alone. header: bytes of the objects' headers."""
    form, offset = layout.fields["id"]
    value = objects.number(form, header + offset).astype(np.uint32)
    return value & np.uint32(0x3F if layout.flags & Flag.LIN else _ID_MASK)


def read_objects(objects: Objects, header: int, layout: Layout) -> tuple[Columns, BoolArray]:
    """The columns of objects of one type with headers of one size, and which have a time that can be true."""
    fields = {"size": ("<u4", 8), "unit": ("<u4", HEADER_END), "ticks": ("<u8", HEADER_END + 8)}
    fields |= {name: (form, header + offset) for name, (form, offset) in layout.fields.items()}
    form = np.dtype(
        {
            "names": list(fields),
            "formats": [form for form, _ in fields.values()],
            "offsets": [offset for _, offset in fields.values()],
            "itemsize": header + layout.body_bytes,
        }
    )
    rows = objects.rows(form)
    time_ns, true = _times(rows["unit"], rows["ticks"])
    if layout.family == "lin":
        return _lin(rows, layout, time_ns), true
    if layout.family == "fd":
        return _fd(rows, time_ns), true
    if layout.family == "fd64":
        return _fd64(rows, objects, layout, time_ns, header), true
    return _can(rows, layout, time_ns), true


def _can(rows: NDArray[Any], layout: Layout, time_ns: Int64Array) -> Columns:
    count, names = len(rows), rows.dtype.names or ()
    flags = np.full(count, layout.flags, np.uint16)
    identifier = np.zeros(count, np.uint32)
    if "id" in names:
        identifier, flags = _identifier(rows["id"], flags)
    if "flags" in names:
        bits = rows["flags"]
        if (bits & 0x81).any():
            flags |= (bits & 1) * np.uint16(Flag.TRANSMIT) | (bits >> 7) * np.uint16(Flag.REMOTE)
    channel = rows["channel"] & np.uint16(LIN_CHANNEL - 1)
    if "data" not in names:
        return Columns(time_ns, channel, identifier, flags, np.zeros(count, np.uint8), np.zeros((count, 8), np.uint8))
    length = np.minimum(rows["dlc"], _CLASSIC_BYTES)
    if flags.any():
        length[flags & Flag.REMOTE != 0] = 0
    return Columns(time_ns, channel, identifier, flags, length, _eight(rows["data"], length))


def _eight(data: NDArray[np.uint64], length: ByteArray) -> ByteArray:
    """The eight bytes a row that data holds little-endian, zero past length."""
    return clear_past(np.array(data).view(np.uint8).reshape(len(length), 8), length)


def _identifier(raw: NDArray[np.uint32], flags: NDArray[np.uint16]) -> tuple[NDArray[np.uint32], NDArray[np.uint16]]:
    """Identifier and flags of the field whose top bit says that the identifier has 29 bits."""
    raw = np.ascontiguousarray(raw)
    if len(raw) and raw.max() >> _EXTENDED_BIT:
        flags = flags | (raw >> _EXTENDED_BIT).astype(np.uint16) * np.uint16(Flag.EXTENDED)
    return raw & np.uint32(_ID_MASK), flags


def _lin(rows: NDArray[Any], layout: Layout, time_ns: Int64Array) -> Columns:
    """LIN. A checksum of 0 may mean that none was recorded, so it says nothing; faults are objects of their own."""
    count, names = len(rows), rows.dtype.names or ()
    channel = rows["channel"] | np.uint16(LIN_CHANNEL)
    flags = np.full(count, layout.flags, np.uint16)
    identifier = np.zeros(count, np.uint32)
    if "id" in names:
        identifier[:] = rows["id"] & 0x3F
    if "data" not in names:
        return Columns(time_ns, channel, identifier, flags, np.zeros(count, np.uint8), np.zeros((count, 8), np.uint8))
    length = np.minimum(rows["dlc"], _CLASSIC_BYTES)
    checksum = rows["checksum"].astype(np.int32)
    checksum[(checksum == 0) | (checksum > 0xFF)] = -1
    flags |= (rows["direction"] != 0) * np.uint16(Flag.TRANSMIT)
    return Columns(time_ns, channel, identifier, flags, length, _eight(rows["data"], length), checksum.astype(np.int16))


def _fd(rows: NDArray[Any], time_ns: Int64Array) -> Columns:
    identifier, flags = _identifier(rows["id"], np.zeros(len(rows), np.uint16))
    for column, bit, flag in (
        ("flags", 1, Flag.TRANSMIT),
        ("flags", _FD_REMOTE, Flag.REMOTE),
        ("fd", _FD_EDL, Flag.FD),
        ("fd", _FD_BRS, Flag.BIT_RATE_SWITCH),
        ("fd", _FD_ESI, Flag.ERROR_STATE),
    ):
        flags |= (rows[column] & bit != 0) * np.uint16(flag)
    length = np.minimum(rows["valid"], _FD_BYTES)
    length[flags & Flag.REMOTE != 0] = 0
    data = np.array(rows["data"]).view(np.uint8).reshape(len(rows), _FD_BYTES)
    channel = rows["channel"] & np.uint16(LIN_CHANNEL - 1)
    return Columns(time_ns, channel, identifier, flags, length, clear_past(data, length))


def _fd64(rows: NDArray[Any], objects: Objects, layout: Layout, time_ns: Int64Array, header: int) -> Columns:
    """CAN FD with as many data bytes as the object holds; loggers leave out trailing zeros that "valid" counts."""
    size = rows["size"].astype(np.int64) - header  # of the body, as the extension's offset counts
    identifier, flags = _identifier(rows["id"], np.full(len(rows), layout.flags, np.uint16))
    at = _FD_ERROR_DATA
    if not layout.flags & Flag.ERROR:
        at = _FD64_DATA
        flags |= (rows["direction"] != 0) * np.uint16(Flag.TRANSMIT)
        for bit, flag in (
            (_FD64_REMOTE, Flag.REMOTE),
            (_FD64_FDF, Flag.FD),
            (_FD64_BRS, Flag.BIT_RATE_SWITCH),
            (_FD64_ESI, Flag.ERROR_STATE),
        ):
            flags |= (rows["flags"] & bit != 0) * np.uint16(flag)
    length = np.minimum(rows["valid"], _FD_BYTES)
    length[flags & Flag.REMOTE != 0] = 0
    extension = rows["extension"].astype(np.int64) - header
    end = np.where((extension > 0) & (extension < size), extension, size)
    stored = np.clip(end - at, 0, length)
    index = (objects.position + header + at)[:, None] + np.arange(_FD_BYTES)
    payload = objects.data[np.minimum(index, len(objects.data) - 1)]
    return Columns(
        time_ns,
        rows["channel"].astype(np.uint16),
        identifier,
        flags,
        length,
        clear_past(payload, stored.astype(np.uint8)),
    )
