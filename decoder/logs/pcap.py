"""pcap and pcapng captures of CAN and LIN.

Sources: draft-ietf-opsawg-pcap, draft-ietf-opsawg-pcapng, tcpdump.org/linktypes.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from typing import BinaryIO

import numpy as np

from decoder.frames import ByteArray, FrameBatch, Int64Array, ReadReport
from decoder.logs.frame_columns import (
    LIN_CHANNEL,
    NO_CHANNEL,
    Columns,
    concatenate,
    drop_all,
    gather,
    is_wanted,
    make_batch,
)
from decoder.logs.pcap_frames import PADDING, Interface, Packets, frames_of
from decoder.logs.pcap_walk import RECORD_HEADER, HeaderArray, count_sound, find_next, walk
from decoder.logs.pcapng import Blocks, to_ns
from decoder.logs.source import LogStream, ReadOptions
from signal_defs.errors import LogError

FORMAT = "pcap"
_HEADER = 24
_LEAST_READ = 4096
_PCAPNG = b"\x0a\x0d\x0d\x0a"
_MAGICS = {  # first bytes -> byte order, parts of a second
    b"\xd4\xc3\xb2\xa1": ("<", 1_000_000),
    b"\xa1\xb2\xc3\xd4": (">", 1_000_000),
    b"\x4d\x3c\xb2\xa1": ("<", 1_000_000_000),
    b"\xa1\xb2\x3c\x4d": (">", 1_000_000_000),
}
_MOST_SEARCHES = 300  # for the next sound record behind damage


def sniff(head: bytes, name: str) -> float:
    """1 where the file begins with one of the formats' magic numbers."""
    del name
    is_pcapng = head.startswith(_PCAPNG) and head[8:12] in {b"\x4d\x3c\x2b\x1a", b"\x1a\x2b\x3c\x4d"}
    return float(head[:4] in _MAGICS or is_pcapng)


def read(stream: LogStream | BinaryIO, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    """Frames of a capture; see `decoder.logs`. Raises LogError where the capture is cut off in its header."""
    head = stream.read(4) or b""
    if head == _PCAPNG:
        report.format = "pcapng"
        yield from _read_blocks(stream, head, report, options)
    else:
        yield from _read_records(stream, head, report, options)


def _read_records(
    stream: LogStream | BinaryIO, head: bytes, report: ReadReport, options: ReadOptions
) -> Iterator[FrameBatch]:
    while len(head) < _HEADER and (more := stream.read(_HEADER - len(head))):
        head += more
    if len(head) < _HEADER or head[:4] not in _MAGICS:
        raise LogError("The capture ends in its header.", mend="Copy it again from where it was recorded.")
    order, fraction = _MAGICS[head[:4]]
    interface = Interface(struct.unpack_from(f"{order}I", head, 20)[0] & 0xFFFF)
    buffer, base, searches, final = b"", _HEADER, 0, False
    trusted: list[int] = []
    while not final:
        more = stream.read(max(options.buffer_bytes, _LEAST_READ)) or b""
        final = not more
        buffer += more
        at = end = 0
        while at >= 0:
            found, end, broken = walk(buffer, at, order)
            header = gather(np.frombuffer(buffer, np.uint8), found, RECORD_HEADER).view(f"{order}u4").astype(np.uint32)
            good = count_sound(header, fraction, trusted) if len(found) else 0
            if good < len(found):  # the one before may have a false length and be to blame
                good = max(good - 1, 0)
                end, broken = int(found[good]), True
            if good:
                header = header[:good]
                trusted = _trust(trusted, header)
                yield from _batch_of_records(buffer, found[:good], header, fraction, interface, report, options, base)
            at = -1
            if broken or (final and end < len(buffer)):
                searches += 1
                if searches > _MOST_SEARCHES:
                    report.drop("unreadable_rest", f"byte {base + end}", -1)
                    return
                at = find_next(buffer, end + 1, order, fraction, trusted)
                report.drop("damaged_record" if broken or at >= 0 else "cut_off", f"byte {base + end}", -1)
                end = max(len(buffer) - RECORD_HEADER, end + 1) if at < 0 else at
        buffer, base = buffer[end:], base + end


def _trust(trusted: list[int], header: HeaderArray) -> list[int]:
    """Seconds by which later records are judged: the first, and the last before and behind the latest stretch."""
    last = int(header[-1, 0])
    return [trusted[0] if trusted else int(header[0, 0]), trusted[-1] if trusted else last, last]


def _batch_of_records(
    buffer: bytes,
    position: Int64Array,
    header: HeaderArray,
    fraction: int,
    interface: Interface,
    report: ReadReport,
    options: ReadOptions,
    base: int,
) -> Iterator[FrameBatch]:
    seconds = header[:, 0].astype(np.int64)
    time_ns = seconds * 1_000_000_000 + header[:, 1].astype(np.int64) * (1_000_000_000 // fraction)
    rows = np.arange(len(position), dtype=np.int64)
    size = header[:, 2].astype(np.int64)
    packets = Packets(_padded(buffer), position + RECORD_HEADER, size, time_ns, rows, NO_CHANNEL)
    found = frames_of(packets, interface, report, _placer(base))
    if found is not None:
        yield from _batch([found], report, options, {})


def _read_blocks(
    stream: LogStream | BinaryIO, head: bytes, report: ReadReport, options: ReadOptions
) -> Iterator[FrameBatch]:
    blocks = Blocks(report)
    buffer, base, final = head, 0, False
    while not final:
        more = stream.read(max(options.buffer_bytes, _LEAST_READ)) or b""
        final = not more
        buffer += more
        table, consumed = blocks.walk(buffer, base, final=final)
        data, where = _padded(buffer), _placer(base)
        parts = []
        for number in np.unique(table[:, 0]).tolist():
            rows = np.flatnonzero(table[:, 0] == number)
            interface = blocks.interfaces[number]
            _, start, size, high, low = table[rows].T
            time_ns, impossible = to_ns(high.astype(np.uint64) << np.uint64(32) | low.astype(np.uint64), interface)
            drop_all(report, "impossible_time", start[impossible], where)
            packets = Packets(data, start, size, time_ns, rows, number)
            keep = np.ones(len(rows), np.bool_)
            keep[impossible] = False
            columns = frames_of(packets.select(keep), interface, report, where)
            if columns is not None:
                parts.append(columns)
        if parts:
            names = {index: interface.name for index, interface in enumerate(blocks.interfaces)}
            yield from _batch(parts, report, options, names | {at | LIN_CHANNEL: name for at, name in names.items()})
        buffer, base = buffer[consumed:], base + consumed


def _padded(buffer: bytes) -> ByteArray:
    return np.frombuffer(buffer + bytes(PADDING), np.uint8)


def _placer(base: int) -> Callable[[int], str]:
    return lambda place: f"byte {base + place}"


def _batch(
    parts: list[tuple[Columns, Int64Array]], report: ReadReport, options: ReadOptions, names: dict[int, str]
) -> Iterator[FrameBatch]:
    columns = concatenate([part for part, _ in parts])
    if len(parts) > 1:
        columns = columns.select(np.argsort(np.concatenate([rows for _, rows in parts]), kind="stable"))
    report.frames += len(columns)
    if options.wanted is not None:
        columns = columns.select(is_wanted(columns.identifier, columns.flags, options.wanted))
    if len(columns):
        yield make_batch(columns, names)
