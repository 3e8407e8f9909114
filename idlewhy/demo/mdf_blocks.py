"""Blocks of an MDF 4.1 file, laid one after the other with the links between them."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

Field = tuple[str, int, int, int, int]  # name, data type, byte offset, bit offset, bits

UNSIGNED, REAL, BYTES = 0, 4, 10  # channel data types (little-endian)


@dataclass(slots=True)
class Blocks:
    """A file that grows block by block; a link is the address where its block begins.

    Source: ASAM MDF 4.1, from memory; checked against an independent reader in the tests.
    """

    parts: list[bytes] = field(default_factory=list)
    size: int = 0

    def raw(self, data: bytes) -> int:
        """Append bytes, padded to a multiple of eight; their address."""
        address = self.size
        self.parts.append(data + bytes(-len(data) % 8))
        self.size += len(self.parts[-1])
        return address

    def add(self, name: str, links: tuple[int, ...], data: bytes) -> int:
        """Append a block ("DG", "CN", ...); its address."""
        return self.raw(block(name, links, data))

    def text(self, text: str) -> int:
        """A text block, or one of XML where the text is XML."""
        return self.add("MD" if text.startswith("<") else "TX", (), text.encode() + b"\0")

    def source(self, name: str, bus_type: int) -> int:
        """A source of the kind bus. bus_type: 2 CAN, 3 LIN."""
        title = self.text(name)
        return self.add("SI", (title, title, 0), struct.pack("<BBB5x", 2, bus_type, 0))

    def channel(self, form: Field, following: int, parts: int = 0, source: int = 0, kind: int = 0) -> int:
        """A channel. following, parts: next channel, first of its own parts. kind: 2 for the master (time in s)."""
        name, data_type, byte, bit, bits = form
        unit = self.text("s") if kind == 2 else 0
        links = (following, parts, self.text(name), source, 0, 0, unit, 0)
        sync = 1 if kind == 2 else 0
        bus_event = 0 if kind == 2 else 1 << 10
        data = struct.pack("<BBBBLLLLBBH6d", kind, sync, data_type, bit, byte, bits, bus_event, 0, 0, 0, 0, *[0.0] * 6)
        return self.add("CN", links, data)

    def bus_group(self, name: str, bus_type: int, fields: tuple[Field, ...], rows: int, row_bytes: int) -> int:
        """A channel group of bus events: time (8 bytes), then the event with its fields behind it."""
        source = self.source(name.split("_", maxsplit=1)[0], bus_type)
        parts = 0
        for form in reversed(fields):
            parts = self.channel((f"{name}.{form[0]}", *form[1:]), parts, source=source)
        event = self.channel((name, BYTES, 8, 0, 8 * (row_bytes - 8)), 0, parts, source)
        time = self.channel(("Timestamp", REAL, 0, 0, 64), event, kind=2)
        data = struct.pack("<QQHHLLL", 0, rows, 0x6, ord("."), 0, row_bytes, 0)
        return self.add("CG", (0, time, self.text(name), source, 0, 0), data)


def block(name: str, links: tuple[int, ...], data: bytes) -> bytes:
    """A block's bytes: head, links, data."""
    length = 24 + 8 * len(links) + len(data)
    return (
        struct.pack("<2s2s4xQQ", b"##", name.encode(), length, len(links))
        + struct.pack(f"<{len(links)}Q", *links)
        + data
    )
