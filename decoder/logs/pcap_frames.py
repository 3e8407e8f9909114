"""Captured packets as frames: SocketCAN, LIN and the cooked captures that carry CAN.

Sources: tcpdump.org/linktypes, LINKTYPE_CAN_SOCKETCAN (227), LINKTYPE_LIN (212), LINKTYPE_LINUX_SLL (113),
LINKTYPE_LINUX_SLL2 (276).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, Int64Array, ReadReport
from decoder.logs.frame_columns import LIN_CHANNEL, Columns, clear_past, drop_all, gather

CAN, LIN, COOKED, COOKED2 = 227, 212, 113, 276
_CAN_HEADER = 8
_EXTENDED, _REMOTE, _ERROR, _ID_MASK = 0x8000_0000, 0x4000_0000, 0x2000_0000, 0x1FFF_FFFF
_BRS, _ESI, _FDF, _XL = 0x01, 0x02, 0x04, 0x80
_FD_RECORD = 72  # bytes of a captured CAN FD frame; older captures tell it by nothing else
_LARGEST_FRAME = 80  # bytes of a captured frame, with some padding
_ERROR_CLASSES = 0x3FF  # bits that an error frame's identifier may have
_COOKED_CAN = (0x000C, 0x000D)  # protocol: CAN, CAN FD
_OUTGOING = 4
_SETTLED = 50  # identifiers that are possible in one byte order only, until damage cannot be to blame
_SWAPPED_NOTE = "The identifiers are stored little-endian, not big-endian as the format says."
_LIN_EVENT = 3
_LIN_EVENTS = {0xB0B0_0001: "lin_sleep", 0xB0B0_0002: "lin_sleep", 0xB0B0_0004: "lin_wake_up"}
_LIN_ERRORS = (
    (0x01, Flag.NO_RESPONSE),
    (0x02, Flag(0)),  # framing
    (0x04, Flag.BAD_PARITY),
    (0x08, Flag.BAD_CHECKSUM),
    (0x10, Flag.BAD_PARITY),  # impossible identifier
    (0x20, Flag(0)),  # overflow
)
PADDING = 80  # zero bytes that must follow the captured bytes, so that gathering never leaves them


@dataclass(slots=True, eq=False)
class Packets:
    """Packets of one interface. data: bytes with `PADDING` zeros behind them. start, size: of each, captured bytes.

    channel: the interface's number. row: each packet's place among all of its stretch.
    """

    data: ByteArray
    start: Int64Array
    size: Int64Array
    time_ns: Int64Array
    row: Int64Array
    channel: int

    def select(self, keep: BoolArray) -> Packets:
        return Packets(self.data, self.start[keep], self.size[keep], self.time_ns[keep], self.row[keep], self.channel)


@dataclass(slots=True)
class Interface:
    """An interface of a capture: its link type and name, and what reading has found out of it.

    per_second: ticks of a time stamp. offset_s: to add to each.
    lead_of_big: how many more identifiers are impossible if they are little-endian than if they are big-endian.
    settled: that is so clear that nothing more is counted.
    """

    link: int
    name: str = ""
    per_second: int = 1_000_000
    offset_s: int = 0
    lead_of_big: int = 0
    settled: bool = False


def frames_of(
    packets: Packets, interface: Interface, report: ReadReport, where: Callable[[int], str]
) -> tuple[Columns, Int64Array] | None:
    """The frames among the packets, and each one's row; None if there is none."""
    if not len(packets.start):
        return None
    if interface.link == LIN:
        return _lin(packets, report, where)
    if interface.link == CAN:
        channel = np.full(len(packets.start), packets.channel, np.uint16)
        return _can(packets, channel, np.zeros(len(channel), np.bool_), interface, report, where)
    if interface.link in {COOKED, COOKED2}:
        return _cooked(packets, interface, report, where)
    report.skip(f"link_type_{interface.link}", len(packets.start))
    return None


def _cooked(
    packets: Packets, interface: Interface, report: ReadReport, where: Callable[[int], str]
) -> tuple[Columns, Int64Array] | None:
    """Packets behind a header that says whether they are CAN."""
    second = interface.link == COOKED2
    header = 20 if second else 16
    head = gather(packets.data, packets.start, header)
    words = head.view(">u2")
    protocol, direction = (words[:, 0], head[:, 10]) if second else (words[:, 7], words[:, 0])
    chosen = np.isin(protocol, _COOKED_CAN) & (packets.size >= header)
    others = int(np.count_nonzero(~chosen))
    if others:
        report.skip("packet_other_than_can", others)
    inner = packets.select(chosen)
    inner.start, inner.size = inner.start + header, inner.size - header
    channel = np.full(len(inner.start), packets.channel, np.uint16)
    if second:
        channel = (head[chosen].view(">u4")[:, 1] & 0x3FFF).astype(np.uint16)
    return _can(inner, channel, direction[chosen] == _OUTGOING, interface, report, where)


def _can(
    packets: Packets,
    channel: NDArray[np.uint16],
    sent: BoolArray,
    interface: Interface,
    report: ReadReport,
    where: Callable[[int], str],
) -> tuple[Columns, Int64Array] | None:
    head = gather(packets.data, packets.start, _CAN_HEADER)
    length, bits = head[:, 4], head[:, 5]
    whole = packets.size >= _CAN_HEADER
    is_xl = whole & (length & _XL != 0)
    if is_xl.any():
        report.skip("can_xl", int(is_xl.sum()))
    is_fd = (bits & _FDF != 0) | (packets.size == _FD_RECORD)
    whole &= (length <= np.where(is_fd, 64, 8)) & (packets.size >= _CAN_HEADER + length.astype(np.int64))
    whole &= packets.size <= _LARGEST_FRAME  # a false length has swallowed what follows
    drop_all(report, "damaged_record", packets.start[~whole & ~is_xl], where)
    if not whole.any():
        return None
    if not whole.all():
        packets, head = packets.select(whole), head[whole]
        channel, sent, is_fd = channel[whole], sent[whole], is_fd[whole]
        length, bits = head[:, 4], head[:, 5]
    word = _identifier_words(head, interface, report)
    flags = ((word & _EXTENDED) != 0) * np.uint16(Flag.EXTENDED)
    flags |= ((word & _REMOTE) != 0) * np.uint16(Flag.REMOTE)
    flags |= ((word & _ERROR) != 0) * np.uint16(Flag.ERROR)
    flags |= sent * np.uint16(Flag.TRANSMIT)
    flags |= is_fd * np.uint16(Flag.FD)
    flags |= (is_fd & (bits & _BRS != 0)) * np.uint16(Flag.BIT_RATE_SWITCH)
    flags |= (is_fd & (bits & _ESI != 0)) * np.uint16(Flag.ERROR_STATE)
    length = np.where(flags & Flag.REMOTE != 0, 0, length).astype(np.uint8)
    width = 8 if int(length.max()) <= 8 else 64
    payload = clear_past(gather(packets.data, packets.start + _CAN_HEADER, width), length)
    identifier = (word & _ID_MASK).astype(np.uint32)
    return Columns(packets.time_ns, channel, identifier, flags, length, payload), packets.row


def _identifier_words(head: ByteArray, interface: Interface, report: ReadReport) -> NDArray[np.uint32]:
    """Identifier and flags of each frame. They should be big-endian; captures with the other order exist.

    The order that gives fewer impossible words wins: a standard identifier over 0x7FF, an error frame with unknown
    classes. Once so many speak for one order that damage cannot be to blame, it holds for the rest.
    """
    words = np.ascontiguousarray(head[:, :4]).view(">u4")[:, 0].astype(np.uint32)
    if not interface.settled:
        interface.lead_of_big += _impossible(words.byteswap()) - _impossible(words)
        interface.settled = abs(interface.lead_of_big) >= _SETTLED
    if interface.lead_of_big < 0:
        report.note(_SWAPPED_NOTE)
    return words.byteswap() if interface.lead_of_big < 0 else words


def _impossible(words: NDArray[np.uint32]) -> int:
    identifier = words & np.uint32(_ID_MASK)
    is_error = words & np.uint32(_ERROR) != 0
    too_large = (words & np.uint32(_EXTENDED) == 0) & ~is_error & (identifier > 0x7FF)
    return int(np.count_nonzero(too_large | (is_error & (identifier > _ERROR_CLASSES))))


def _lin(packets: Packets, report: ReadReport, where: Callable[[int], str]) -> tuple[Columns, Int64Array] | None:
    """LIN: revision 1; in byte 4 length, type and checksum kind; PID, checksum, errors; payload of 4 or 8 bytes."""
    head = gather(packets.data, packets.start, 8)
    stated, kind = head[:, 4] >> 4, head[:, 4] >> 2 & 3
    whole = (packets.size >= 8) & (head[:, 0] == 1)
    is_event = whole & (kind == _LIN_EVENT)
    for code in gather(packets.data, packets.start[is_event] + 8, 4).view(">u4")[:, 0].tolist():
        report.skip(_LIN_EVENTS.get(code, "lin_event"))
    silent = head[:, 7] & 1 != 0
    whole &= (stated <= 8) & (silent | (packets.size >= 8 + stated.astype(np.int64))) & (kind == 0)
    drop_all(report, "damaged_record", packets.start[~whole & ~is_event], where)
    if not whole.any():
        return None
    packets, head, silent = packets.select(whole), head[whole], silent[whole]
    length = np.where(silent, 0, head[:, 4] >> 4).astype(np.uint8)
    errors = head[:, 7]
    flags = np.full(len(head), Flag.LIN, np.uint16)
    flags |= (errors & 0x3F != 0) * np.uint16(Flag.ERROR)
    for bit, flag in _LIN_ERRORS:
        flags |= (errors & bit != 0) * np.uint16(flag)
    unknown = silent | ((head[:, 4] & 3 == 0) & (head[:, 6] == 0))
    checksum = np.where(unknown, np.int16(-1), head[:, 6].astype(np.int16))
    payload = clear_past(gather(packets.data, packets.start + 8, 8), length)
    channel = np.full(len(head), packets.channel | LIN_CHANNEL, np.uint16)
    identifier = (head[:, 5] & 0x3F).astype(np.uint32)
    return Columns(packets.time_ns, channel, identifier, flags, length, payload, checksum), packets.row
