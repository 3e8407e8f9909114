"""The blocks of a pcapng file: sections, interfaces and packets.

Source: draft-ietf-opsawg-pcapng. A block: type (u32), total length (u32), body, total length again; a section header
tells the byte order by its magic number.
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from decoder.frames import Int64Array, ReadReport
from decoder.logs.frame_columns import drop_all, gather
from decoder.logs.pcap_frames import Interface
from decoder.logs.pcap_walk import Words, chain

SECTION, INTERFACE, PACKET, SIMPLE, ENHANCED = 0x0A0D0D0A, 1, 2, 3, 6
_MAGIC = 0x1A2B3C4D
_LARGEST_BLOCK = 16 << 20
_NAME, _RESOLUTION, _OFFSET = 2, 9, 14  # options of an interface
_MOST_INTERFACES = 4096
_LEAST_PACKET = 32  # bytes of a packet block

PacketTable = NDArray[np.int64]  # (n, 5)


class Blocks:
    """Walks blocks and remembers byte order and interfaces. `interfaces` counts on over all sections."""

    def __init__(self, report: ReadReport) -> None:
        self._report = report
        self._order = "<"
        self._first = 0  # of the section's interfaces
        self.interfaces: list[Interface] = []

    def walk(self, data: bytes, base: int, *, final: bool) -> tuple[PacketTable, int]:
        """Packets as rows of interface, start, captured bytes, high and low half of the time; and bytes consumed."""
        found: list[PacketTable] = []
        at, total = 0, len(data)
        while at + 12 <= total:
            at += self._take_packets(data, at, found, base)
            if at + 12 > total:
                break
            kind, length = struct.unpack_from(f"{self._order}II", data, at)
            if kind == SECTION and not self._begin_section(data, at):
                kind = -1
            elif kind == SECTION:
                length = struct.unpack_from(f"{self._order}I", data, at + 4)[0]
            if at + length > total and 12 <= length <= _LARGEST_BLOCK and kind >= 0 and not final:
                break
            if kind < 0 or not self._is_whole(data, at, length):
                cut = at + length > total and kind >= 0
                following = self._find_next(data, at + 4)
                self._report.drop("cut_off" if cut and following < 0 else "damaged_record", f"byte {base + at}", -1)
                at = following if following >= 0 else total if final else max(at, total - 12 - total % 4)
                if following < 0:
                    break
                continue
            self._take(kind, data, at, length, found, base)
            at += length
        if final and at < total:
            self._report.drop("cut_off", f"byte {base + at}")
            at = total
        return np.concatenate([np.empty((0, 5), np.int64), *found]), at

    def _take_packets(self, data: bytes, at: int, found: list[PacketTable], base: int) -> int:
        """Take the sound packet blocks that follow one another from at on; returns their bytes."""
        position = packet_run(data, at, self._order)
        if not len(position):
            return 0
        view = np.frombuffer(data, np.uint8)
        head = gather(view, position, 28).view(f"{self._order}u4").astype(np.int64)
        length = head[:, 1]
        closing = gather(view, position + length - 4, 4).view(f"{self._order}u4")[:, 0]
        faulty = np.flatnonzero((closing != length) | (length % 4 != 0))
        count = int(faulty[0]) if len(faulty) else len(position)
        head, position = head[:count], position[:count]
        number = head[:, 2] + self._first
        good = (head[:, 5] <= head[:, 1] - _LEAST_PACKET) & (number < len(self.interfaces))
        drop_all(self._report, "damaged_record", position[~good], lambda place: f"byte {base + place}")
        found.append(np.column_stack([number, position + 28, head[:, 5], head[:, 3], head[:, 4]])[good])
        return int(head[:, 1].sum())

    def _begin_section(self, data: bytes, at: int) -> bool:
        magic = data[at + 8 : at + 12]
        for order in "<>":
            if struct.unpack(f"{order}I", magic)[0] == _MAGIC:
                self._order = order
                self._first = len(self.interfaces)
                return True
        return False

    def _is_whole(self, data: bytes, at: int, length: int) -> bool:
        """Whether a block of this length can stand here: it says its length at both ends."""
        if length < 12 or length % 4 or length > _LARGEST_BLOCK or at + length > len(data):
            return False
        return bool(struct.unpack_from(f"{self._order}I", data, at + length - 4)[0] == length)

    def _find_next(self, data: bytes, start: int) -> int:
        """The next place where a whole block of packets, or a section, begins."""
        whole = len(data) // 4 * 4
        words = np.frombuffer(data[:whole], f"{self._order}u4")
        for place in (np.flatnonzero(np.isin(words, (ENHANCED, INTERFACE, SECTION))) * 4).tolist():
            if place < start or place + 8 > len(data):
                continue
            if self._is_whole(data, place, struct.unpack_from(f"{self._order}I", data, place + 4)[0]):
                return int(place)
        return -1

    def _take(self, kind: int, data: bytes, at: int, length: int, found: list[PacketTable], base: int) -> None:
        if kind == INTERFACE and length >= 20:
            self._describe(data, at, length)
        elif kind == SIMPLE:
            self._report.skip("packet_without_time")
        elif kind == PACKET and length >= _LEAST_PACKET:
            number, _, high, low, captured = struct.unpack_from(f"{self._order}HHIII", data, at + 8)
            number += self._first
            if captured > length - _LEAST_PACKET or number >= len(self.interfaces):
                self._report.drop("damaged_record", f"byte {base + at}")
            else:
                found.append(np.array([[number, at + 28, captured, high, low]], np.int64))

    def _describe(self, data: bytes, at: int, length: int) -> None:
        if len(self.interfaces) >= _MOST_INTERFACES:
            return
        link = struct.unpack_from(f"{self._order}H", data, at + 8)[0]
        name, per_second, offset_s = str(len(self.interfaces)), 1_000_000, 0
        option, end = at + 16, at + length - 4
        while option + 4 <= end:
            code, size = struct.unpack_from(f"{self._order}HH", data, option)
            value = data[option + 4 : min(option + 4 + size, end)]
            if code == 0:
                break
            if code == _NAME:
                name = value.split(b"\0", 1)[0].decode("utf-8", "replace")[:64] or name
            elif code == _RESOLUTION and value:
                per_second = 2 ** (value[0] & 0x7F) if value[0] & 0x80 else 10 ** (value[0] & 0x7F)
            elif code == _OFFSET and len(value) == 8:
                offset_s = struct.unpack(f"{self._order}q", value)[0]
            option += 4 + (size + 3) // 4 * 4
        self.interfaces.append(Interface(link, name, per_second, offset_s))


def packet_run(data: bytes, start: int, order: str) -> Int64Array:
    """Beginnings of the whole packet blocks that follow one another from start on; their bodies are not looked at."""
    read_head = struct.Struct(f"{order}II").unpack_from

    def size_at(at: int) -> int:
        kind, length = read_head(data, at)
        return int(length) if kind == ENHANCED and length >= _LEAST_PACKET else 0

    return chain(data, start, _LEAST_PACKET, size_at, lambda size: Words(order, {0: ENHANCED, 4: size}))[0]


def to_ns(ticks: NDArray[np.uint64], interface: Interface) -> tuple[Int64Array, Int64Array]:
    """Time stamps [ns since 1970], and the rows whose time is impossible."""
    per_second = min(interface.per_second, 1 << 62)
    seconds, rest = np.divmod(ticks, np.uint64(per_second))
    impossible = seconds > (1 << 33)
    seconds = np.where(impossible, 0, seconds).astype(np.int64)
    if per_second <= 1_000_000_000:
        fraction = (rest * np.uint64(1_000_000_000) // np.uint64(per_second)).astype(np.int64)
    else:
        fraction = (rest.astype(np.float64) / per_second * 1e9).astype(np.int64)
    offset_s = interface.offset_s if abs(interface.offset_s) < 1 << 32 else 0
    return (seconds + offset_s) * 1_000_000_000 + fraction, np.flatnonzero(impossible)
