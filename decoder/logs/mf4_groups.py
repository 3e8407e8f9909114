"""What an MF4 channel group of bus logging holds, and its records as columns.

Names of groups and fields, such as "CAN_DataFrame.ID": ASAM MDF 4.1, bus logging, as openly licensed readers and
recorders use them; the standard itself was not read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoder.frames import FD_LENGTHS, BoolArray, ByteArray, Flag, Int64Array
from decoder.logs.frame_columns import LIN_CHANNEL, NO_CHANNEL, Columns, clear_past
from decoder.logs.mf4_blocks import FIXED, MASTER, VARIABLE, VIRTUAL, VIRTUAL_MASTER, Channel, ChannelGroup

KINDS = {
    "CAN_DataFrame": Flag(0),
    "CAN_RemoteFrame": Flag.REMOTE,
    "CAN_ErrorFrame": Flag.ERROR,
    "LIN_Frame": Flag.LIN,
    "LIN_ChecksumError": Flag.LIN | Flag.ERROR | Flag.BAD_CHECKSUM,
    "LIN_ReceiveError": Flag.LIN | Flag.ERROR,
    "LIN_SyncError": Flag.LIN | Flag.ERROR,
    "LIN_TransmissionError": Flag.LIN | Flag.ERROR | Flag.NO_RESPONSE,
}
EVENTS = ("CAN_OverloadFrame", "LIN_WakeUp", "LIN_Spike", "LIN_LongDom")  # of bus logging, but no frames
_FD_LENGTHS = np.array(FD_LENGTHS, np.uint8)
_NO_NUMBER = np.uint64((1 << 64) - 1)
_LONGEST_NS = float(1 << 62)

Numbers = NDArray[np.uint64] | NDArray[np.float64] | NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class FrameGroup:
    """A channel group of frames. time: its master channel. fields: by the last part of the name, such as "ID"."""

    group: ChannelGroup
    kind: str
    flags: Flag
    time: Channel
    fields: dict[str, Channel]

    @property
    def variable(self) -> Channel | None:
        """The payload's channel where payloads stand apart from the records."""
        data = self.fields.get("DataBytes")
        return data if data is not None and data.kind == VARIABLE else None


def frame_group(group: ChannelGroup) -> FrameGroup | None:
    """What this group holds if it is one of frames; None if not, or if its layout leaves the record."""
    kind = group_kind(group)
    time = next((channel for channel in group.channels if channel.kind in {MASTER, VIRTUAL_MASTER}), None)
    if kind not in KINDS or time is None:
        return None
    fields: dict[str, Channel] = {}
    for channel in group.channels:
        _, dot, field = channel.name.rpartition(".")
        if dot and channel is not time:
            fields.setdefault(field, channel)
    needed = [time, *fields.values()]
    if any(_end(channel) > group.size for channel in needed):
        return None
    data = fields.get("DataBytes")
    if data is not None and data.kind in {VIRTUAL, VIRTUAL_MASTER}:  # which has no bytes
        return None
    if kind.startswith("CAN_Data") and not {"ID", "DataBytes"} <= fields.keys():
        return None
    return FrameGroup(group, kind, KINDS[kind], time, fields)


def group_kind(group: ChannelGroup) -> str:
    """The event this group records, "" for measured signals."""
    for channel in group.channels:
        root = channel.name.partition(".")[0]
        if root in KINDS or root in EVENTS:
            return root
    return ""


def _end(channel: Channel) -> int:
    """First byte of the record behind the channel."""
    if channel.kind in {VIRTUAL, VIRTUAL_MASTER}:
        return 0
    return channel.byte_offset + (channel.bit_offset + channel.bit_count + 7) // 8


def raw(records: ByteArray, channel: Channel, first: int = 0) -> Numbers:
    """A channel's raw numbers. records: (n, size). first: number of the first record, for channels without bits."""
    if channel.kind in {VIRTUAL, VIRTUAL_MASTER}:
        return np.arange(first, first + len(records), dtype=np.uint64)
    at, bits = channel.byte_offset, channel.bit_count
    count = (channel.bit_offset + bits + 7) // 8
    if not 1 <= count <= 8:
        return np.zeros(len(records), np.uint64)
    swapped = channel.data_type in {1, 3, 5}
    words = _bytes(records, at, count, 8, swapped=swapped)
    if channel.data_type in {4, 5}:
        if bits == 64:
            return words.view("<f8")[:, 0]
        return words.view("<f4")[:, 0].astype(np.float64) if bits == 32 else np.full(len(records), np.nan)
    value = words.view("<u8")[:, 0]
    if channel.bit_offset:
        value = value >> np.uint64(channel.bit_offset)
    if bits < 64:
        value = value & np.uint64((1 << bits) - 1)
    if channel.data_type in {2, 3} and bits:
        shift = 64 - bits
        return (value << np.uint64(shift)).view(np.int64) >> np.int64(shift)
    return value


def _bytes(records: ByteArray, at: int, count: int, width: int, *, swapped: bool = False) -> ByteArray:
    """So many bytes of every record, the last one first if swapped, and zeros behind them: (n, width)."""
    taken = np.zeros((len(records), width), np.uint8) if count < width else np.empty((len(records), width), np.uint8)
    part = records[:, at : at + count][:, :: -1 if swapped else 1]
    if records.strides[0] == 1:  # transposed, as a file may store them: a byte of all records is one run
        for column in range(count):
            taken[:, column] = part[:, column]
    else:
        taken[:, :count] = part
    return taken


def whole(records: ByteArray, channel: Channel, first: int = 0) -> NDArray[np.uint64]:
    """As `raw`, for what must be a whole number from 0 on; anything else becomes the largest one."""
    number = raw(records, channel, first)
    if number.dtype.kind == "f":
        possible = (number >= 0) & (number < float(1 << 62))
        return np.where(possible, np.where(possible, number, 0).astype(np.uint64), _NO_NUMBER)
    return number.view(np.uint64)


def small(records: ByteArray, channel: Channel, first: int = 0) -> NDArray[np.uint8]:
    """A channel of small whole numbers, with its factor or table; 255 for whatever does not fit."""
    if channel.kind == FIXED and channel.bit_count <= 8 and channel.bit_offset + channel.bit_count <= 8:
        value = records[:, channel.byte_offset]
        if channel.bit_count < 8:
            value = value >> np.uint8(channel.bit_offset) & np.uint8((1 << channel.bit_count) - 1)
    else:
        value = np.minimum(whole(records, channel, first), 255).astype(np.uint8)
    if channel.steps is not None and channel.steps != (0.0, 1.0):
        factor = channel.steps[0] + channel.steps[1] * value.astype(np.float64)
        return np.clip(np.nan_to_num(factor, nan=255.0), 0, 255).astype(np.uint8)
    table = [(int(key), int(result)) for key, result in channel.table if 0 <= key < 256 and 0 <= result < 256]
    if table:
        lookup = np.arange(256, dtype=np.uint8)
        for key, result in table:
            lookup[key] = result
        return lookup[value]
    return value


def times(records: ByteArray, channel: Channel, first: int = 0) -> tuple[Int64Array, BoolArray]:
    """Time since the log's start [ns], and which can be true. Whole nanoseconds stay exact."""
    number = raw(records, channel, first)
    offset, factor = channel.steps or (0.0, 1.0)
    whole = round(factor * 1e9)
    if number.dtype.kind in "ui" and offset == 0 and whole >= 1 and abs(whole - factor * 1e9) < 1e-6:
        true = number <= number.dtype.type((1 << 62) // whole)
        return np.where(true, number, 0).astype(np.int64) * whole, true
    with np.errstate(over="ignore", invalid="ignore"):
        seconds = number.astype(np.float64)
        if factor != 1.0:
            seconds *= factor
        if offset:
            seconds += offset
    true = np.abs(seconds) < _LONGEST_NS / 1e9
    if not true.all():
        seconds[~true] = 0.0
    seconds *= 1e9
    return np.rint(seconds, out=seconds).astype(np.int64), true


def identifiers(records: ByteArray, group: FrameGroup) -> tuple[NDArray[np.uint32], NDArray[np.uint16]]:
    """Identifier and flags of every record."""
    flags = np.full(len(records), group.flags, np.uint16)
    if "ID" not in group.fields:
        return np.zeros(len(records), np.uint32), flags
    value = whole(records, group.fields["ID"]).astype(np.uint32)
    if group.flags & Flag.LIN:
        return value & np.uint32(0x3F), flags
    if "IDE" in group.fields:
        extended = small(records, group.fields["IDE"]) != 0
    else:
        extended = (value >> 31 != 0) | (value & 0x1FFF_FFFF > 0x7FF)
    flags |= extended * np.uint16(Flag.EXTENDED)
    return value & np.uint32(0x1FFF_FFFF), flags


def columns(
    records: ByteArray,
    group: FrameGroup,
    time_ns: Int64Array,
    identifier: NDArray[np.uint32],
    flags: NDArray[np.uint16],
    variable: tuple[ByteArray, ByteArray] | None = None,
) -> Columns:
    """The remaining columns. variable: payload and length where they do not stand in the record."""
    for field, flag in (
        ("EDL", Flag.FD),
        ("BRS", Flag.BIT_RATE_SWITCH),
        ("ESI", Flag.ERROR_STATE),
        ("Dir", Flag.TRANSMIT),
    ):
        if field in group.fields and not (group.flags & Flag.LIN and flag != Flag.TRANSMIT):
            is_set = small(records, group.fields[field]) == 1
            if is_set.any():
                flags |= is_set * np.uint16(flag)
    channel = np.full(len(records), NO_CHANNEL, np.uint16)
    if "BusChannel" in group.fields:
        channel = small(records, group.fields["BusChannel"]).astype(np.uint16)
    if group.flags & Flag.LIN:
        channel |= np.uint16(LIN_CHANNEL)
    payload, length = variable or _payload(records, group)
    checksum = None
    if group.flags & Flag.LIN and "Checksum" in group.fields:
        checksum = small(records, group.fields["Checksum"]).astype(np.int16)
    return Columns(time_ns, channel, identifier, flags, length, payload, checksum)


def value_offsets(records: ByteArray, channel: Channel) -> Int64Array:
    """Where the payloads of variable length begin; -1 for what is no offset."""
    number = whole(records, channel)
    return np.where(number < (1 << 60), number, 0).astype(np.int64) - (number >= (1 << 60))


def stated_length(records: ByteArray, group: FrameGroup) -> ByteArray:
    """Bytes of payload that each record says it has."""
    fields = group.fields
    if "DataLength" in fields:
        length = small(records, fields["DataLength"])
    elif "DLC" in fields:
        length = _FD_LENGTHS[small(records, fields["DLC"]) & 15]
        if "EDL" in fields:
            length = np.where(small(records, fields["EDL"]) == 0, np.minimum(length, 8), length).astype(np.uint8)
    else:
        length = np.full(len(records), 64, np.uint8)
    if "ReceivedDataByteCount" in fields:
        received = small(records, fields["ReceivedDataByteCount"])
        length = np.where((received > 0) & (received < length), received, length).astype(np.uint8)
    return length


def _payload(records: ByteArray, group: FrameGroup) -> tuple[ByteArray, ByteArray]:
    """Payload (n, 8 or 64) and length, where payloads stand in the record."""
    data = group.fields.get("DataBytes")
    if data is None or group.flags & Flag.REMOTE or not len(records):
        return np.zeros((len(records), 8), np.uint8), np.zeros(len(records), np.uint8)
    stored = min(data.bit_count // 8, 64)
    length = np.minimum(stated_length(records, group), np.uint8(stored))
    width = 8 if int(length.max()) <= 8 else 64
    payload = _bytes(records, data.byte_offset, min(stored, width), width)
    return clear_past(payload, length), length
