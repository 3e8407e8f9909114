"""The blocks of an MF4 file: header, data groups, channel groups and channels, as far as bus logging needs them.

A block: "##" and two letters, four reserved bytes, length (u64), number of links (u64), the links (u64 each), its data.
Source: ASAM MDF 4.1 as openly licensed readers implement it; the standard itself was not read.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

BLOCK_HEADER = 24
_MOST_BLOCKS = 100_000  # of one file; more than any recorder writes
_LONGEST_TEXT = 4096
_MOST_LINKS = 1 << 20
_LARGEST_NUMBER = 1e18  # of a conversion that is believed

VLSD_GROUP = 1  # bit of a channel group's flags: variable-length records

FIXED, VARIABLE, MASTER, VIRTUAL_MASTER, VIRTUAL = 0, 1, 2, 3, 6  # types of a channel


@dataclass(frozen=True, slots=True)
class Block:
    """One block. place: byte of the file. links: addresses. data: what follows the links, bounded."""

    kind: bytes
    place: int
    length: int
    links: tuple[int, ...]
    data: bytes


@dataclass(frozen=True, slots=True)
class Channel:
    """Where a channel's bits lie in a record. steps: (a, b) of value = a + b * raw, or None; table: raw -> value.

    link: the block a variable-length channel's values stand in. kind: FIXED, VARIABLE, MASTER, ...
    data_type: 0, 1 unsigned, 2, 3 signed, 4, 5 float (little-endian, big-endian); others are bytes.
    """

    name: str
    kind: int
    data_type: int
    bit_offset: int
    byte_offset: int
    bit_count: int
    steps: tuple[float, float] | None = None
    table: tuple[tuple[float, float], ...] = ()
    link: int = 0


@dataclass(frozen=True, slots=True)
class ChannelGroup:
    """Records of one layout. size: bytes of a record without its identifier. channels: subchannels among them."""

    place: int
    record_id: int
    count: int
    flags: int
    size: int
    channels: tuple[Channel, ...]


@dataclass(frozen=True, slots=True)
class DataGroup:
    """Channel groups whose records share one stretch of data. id_bytes: of the identifier before each record."""

    place: int
    id_bytes: int
    data: int
    groups: tuple[ChannelGroup, ...]


class BlockFile:
    """Random access to blocks; every length and address is held against the size of the file.

    is_cut: a block or a part of one lies behind the end of the file.
    """

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream
        self.size = stream.seek(0, os.SEEK_END)
        self.is_cut = False
        self._budget = _MOST_BLOCKS

    def bytes_at(self, place: int, count: int) -> bytes:
        """Up to count bytes; fewer where the file ends."""
        self.is_cut |= place + count > self.size
        if not 0 <= place < self.size:
            return b""
        self._stream.seek(place)
        parts = []
        count = min(count, self.size - place)
        while count > 0 and (part := self._stream.read(count)):
            parts.append(part)
            count -= len(part)
        return b"".join(parts)

    def block(self, place: int, most: int = 1 << 16) -> Block | None:
        """The block at place with up to `most` bytes of its data; None where there is none."""
        head = self.bytes_at(place, BLOCK_HEADER)
        if len(head) < BLOCK_HEADER or head[:2] != b"##" or self._budget <= 0:
            return None
        self._budget -= 1
        length, count = struct.unpack("<QQ", head[8:])
        if count > _MOST_LINKS or BLOCK_HEADER + 8 * count > max(length, BLOCK_HEADER):
            return None
        body = self.bytes_at(place + BLOCK_HEADER, min(8 * count + most, length - BLOCK_HEADER))
        if len(body) < 8 * count:
            return None
        links = struct.unpack_from(f"<{count}Q", body)
        return Block(head[:4], place, length, links, body[8 * count :])

    def chain(self, place: int, kind: bytes, next_link: int = 0) -> Iterator[Block]:
        """Blocks of one kind, each naming the next by a link; ends where a link leads back or nowhere."""
        seen = set()
        while place and place not in seen:
            seen.add(place)
            block = self.block(place)
            if block is None or block.kind != kind or len(block.links) <= next_link:
                return
            yield block
            place = block.links[next_link]

    def text(self, place: int) -> str:
        """The text of a TX or MD block; "" where there is none."""
        block = self.block(place, _LONGEST_TEXT) if place else None
        if block is None:
            return ""
        return block.data.split(b"\0", 1)[0].decode("utf-8", "replace")

    def data_groups(self) -> tuple[DataGroup, ...]:
        """All data groups with at least one channel group."""
        header = self.block(64)
        if header is None or header.kind != b"##HD" or not header.links:
            return ()
        found = []
        for block in self.chain(header.links[0], b"##DG"):
            if len(block.links) < 3 or not block.data:
                continue
            groups = tuple(self._channel_groups(block.links[1]))
            if groups:
                found.append(DataGroup(block.place, block.data[0], block.links[2], groups))
        return tuple(found)

    def _channel_groups(self, place: int) -> Iterator[ChannelGroup]:
        for block in self.chain(place, b"##CG"):
            if len(block.links) < 2 or len(block.data) < 32:
                continue
            record_id, count, flags, _, _, data, invalid = struct.unpack_from("<QQHHIII", block.data)
            size = data + invalid
            channels: tuple[Channel, ...] = ()
            if not flags & VLSD_GROUP:
                channels = tuple(self._channels(block.links[1]))
            yield ChannelGroup(block.place, record_id, count, flags, size, channels)

    def _channels(self, place: int, depth: int = 0) -> Iterator[Channel]:
        """Channels and, behind each, its subchannels."""
        for block in self.chain(place, b"##CN"):
            if len(block.links) < 6 or len(block.data) < 12:
                continue
            kind, _, data_type, bit_offset, byte_offset, bit_count = struct.unpack_from("<BBBBII", block.data)
            steps, table = self._conversion(block.links[4])
            yield Channel(
                self.text(block.links[2]),
                kind,
                data_type,
                bit_offset & 7,
                byte_offset,
                bit_count,
                steps,
                table,
                block.links[5],
            )
            if block.links[1] and depth < 4:
                yield from self._channels(block.links[1], depth + 1)

    def _conversion(self, place: int) -> tuple[tuple[float, float] | None, tuple[tuple[float, float], ...]]:
        """Linear factor or value table; other conversions are left out, the raw value stands."""
        block = self.block(place) if place else None
        if block is None or block.kind != b"##CC" or len(block.data) < 24:
            return None, ()
        kind = block.data[0]
        values = block.data[24 : 24 + (len(block.data) - 24) // 8 * 8]
        numbers = struct.unpack(f"<{len(values) // 8}d", values)
        if not all(abs(number) < _LARGEST_NUMBER for number in numbers):
            return None, ()
        if kind == 1 and len(numbers) >= 2:
            return (numbers[0], numbers[1]), ()
        if kind in {4, 5}:
            return None, tuple(zip(numbers[0::2], numbers[1::2], strict=False))
        return None, ()
