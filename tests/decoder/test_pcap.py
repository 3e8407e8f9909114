"""pcap and pcapng. Expected values: by hand from the link-type pages of tcpdump.org, named beside each."""

from __future__ import annotations

import gzip
import random
import struct
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.frames import Flag
from decoder.logs import ReadOptions
from signal_defs.errors import LogError

Reader = Callable[..., Any]
START_S = 1_700_000_000
START_NS = START_S * 1_000_000_000
CAN, LIN, COOKED, COOKED2 = 227, 212, 113, 276


def capture(packets: Sequence[bytes], link: int = CAN, *, order: str = "<", nano: bool = False) -> bytes:
    """A pcap file; packet k is taken k milliseconds after the start. Source: draft-ietf-opsawg-pcap."""
    magic = 0xA1B23C4D if nano else 0xA1B2C3D4
    parts = [struct.pack(f"{order}IHHiIII", magic, 2, 4, 0, 0, 65_535, link)]
    unit = 1_000_000 if nano else 1_000
    for row, packet in enumerate(packets):
        head = (START_S + row // 1000, row % 1000 * unit, len(packet), len(packet))
        parts.append(struct.pack(f"{order}4I", *head) + packet)
    return b"".join(parts)


def can_packet(word: int, data: bytes, bits: int = 0) -> bytes:
    """Source: LINKTYPE_CAN_SOCKETCAN: identifier and flags big-endian, length, FD flags, two reserved, data."""
    return struct.pack(">IBBxx", word, len(data), bits) + data


def numbered(count: int, size: int | None = 8) -> list[bytes]:
    """Frames whose data begin with their number; size None: lengths that change."""
    return [
        can_packet(0x100 + row % 7, row.to_bytes(4, "little") + bytes(row % 5 if size is None else size - 4))
        for row in range(count)
    ]


def numbers(log: Any) -> list[int]:
    return [int.from_bytes(data[:4], "little") for data in log.data]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("nano", [False, True])
@pytest.mark.parametrize("size", [8, None])
def test_every_byte_order_and_resolution_is_read(read_bytes: Reader, order: str, nano: bool, size: int | None) -> None:
    log = read_bytes(capture(numbered(500, size), order=order, nano=nano))
    assert log.format == "pcap"
    assert numbers(log) == list(range(500))
    assert log.times == [START_NS + row * 1_000_000 for row in range(500)]
    assert set(log.channels) == {""}
    assert not log.report.dropped


def test_the_real_capture_is_read_whole(external_logs: Path, read_file: Reader) -> None:
    path = external_logs / "scapy" / "candump_uds_scanner.pcap.gz"
    log = read_file(path)
    assert len(log.frames) == 9434  # source: SOURCES.md
    content = gzip.decompress(path.read_bytes())
    at, rows = 24, []
    while at < len(content):
        seconds, micros, size, _ = struct.unpack_from("<4I", content, at)
        (word,) = struct.unpack_from("<I", content, at + 16)  # little-endian in this file
        length = content[at + 20]
        flags = Flag.EXTENDED if word & 0x80000000 else Flag(0)
        time_ns = seconds * 1_000_000_000 + micros * 1000
        rows.append((time_ns, "", word & 0x1FFFFFFF, flags, content[at + 24 : at + 24 + length]))
        at += 16 + size
    assert log.frames == rows
    assert any("little-endian" in note for note in log.report.notes)


def test_an_extended_frame_is_read(read_bytes: Reader) -> None:
    data = bytes.fromhex("7d00fffff800f800")
    log = read_bytes(capture([bytes.fromhex("98fef70008000000") + data]))
    # source: LINKTYPE_CAN_SOCKETCAN, 0x80000000 means extended
    assert log.frames == [(START_NS, "", 0x18FEF700, Flag.EXTENDED, data)]


def test_error_and_remote_frames_are_kept_apart(read_bytes: Reader) -> None:
    log = read_bytes(capture([can_packet(0x20000004, bytes(8)), can_packet(0x40000123, b""), can_packet(0x7, b"a")]))
    # source: LINKTYPE_CAN_SOCKETCAN, 0x20000000 means error, 0x40000000 remote
    assert log.flags == [Flag.ERROR, Flag.REMOTE, Flag(0)]
    assert log.identifiers == [4, 0x123, 7]


def test_can_fd_is_told_by_its_flag_or_its_size(read_bytes: Reader) -> None:
    data = bytes(range(64))
    old = can_packet(0x123, data[:12]).ljust(72, b"\0")
    log = read_bytes(capture([can_packet(0x123, data, 0x07), old, can_packet(0x123, data[:8], 0x04)]))
    # source: LINKTYPE_CAN_SOCKETCAN, 0x01 bit rate switch, 0x02 error state, 0x04 FD; 72 bytes are a canfd_frame
    assert log.flags == [Flag.FD | Flag.BIT_RATE_SWITCH | Flag.ERROR_STATE, Flag.FD, Flag.FD]
    assert log.data == [data, data[:12], data[:8]]


@pytest.mark.parametrize(
    ("packet", "frame", "checksum"),
    [  # source: LINKTYPE_LIN
        ("010000008211bb00a030407d414a9583", (0x11, Flag.LIN, "a030407d414a9583"), 0xBB),
        ("0100000000e2000100000000", (0x22, Flag.LIN | Flag.ERROR | Flag.NO_RESPONSE, ""), -1),
        ("010000004211d5004a5593e5", (0x11, Flag.LIN, "4a5593e5"), 0xD5),
        ("01000000401155084a5593e5", (0x11, Flag.LIN | Flag.ERROR | Flag.BAD_CHECKSUM, "4a5593e5"), 0x55),
        ("010000004251d5044a5593e5", (0x11, Flag.LIN | Flag.ERROR | Flag.BAD_PARITY, "4a5593e5"), 0xD5),
        ("010000004211d5024a5593e5", (0x11, Flag.LIN | Flag.ERROR, "4a5593e5"), 0xD5),
        ("0100000022e2d5000102", (0x22, Flag.LIN, "0102"), 0xD5),
    ],
)
def test_lin_frames_are_read(read_bytes: Reader, packet: str, frame: tuple[int, Flag, str], checksum: int) -> None:
    log = read_bytes(capture([bytes.fromhex(packet)], LIN))
    identifier, flags, data = frame
    assert log.frames == [(START_NS, "", identifier, flags, bytes.fromhex(data))]
    assert log.checksums == [checksum]
    assert not log.report.dropped


def test_lin_events_are_counted_and_are_no_frames(read_bytes: Reader) -> None:
    packets = [
        "010000004c000000b0b00002",
        "010000004c000000b0b00001",
        "010000004c000000b0b00004",
        "010000004211d5004a5593e5",
    ]
    log = read_bytes(capture([bytes.fromhex(packet) for packet in packets], LIN))
    assert log.report.skipped == {"lin_sleep": 2, "lin_wake_up": 1}  # source: LINKTYPE_LIN
    assert log.identifiers == [0x11]


def test_cooked_captures_carry_can(read_bytes: Reader) -> None:
    frame = can_packet(0x123, b"abc").ljust(16, b"\0")
    sent = struct.pack(">HHH8xH", 4, 280, 0, 0x000C)
    other = struct.pack(">HHH8xH", 0, 1, 6, 0x0800) + bytes(20)
    log = read_bytes(capture([sent + frame, other, struct.pack(">HHH8xH", 1, 280, 0, 0x000C) + frame], COOKED))
    assert log.flags == [Flag.TRANSMIT, Flag(0)]  # source: LINKTYPE_LINUX_SLL, packet type 4 was sent by us
    assert log.data == [b"abc"] * 2
    assert log.report.skipped == {"packet_other_than_can": 1}
    second = struct.pack(">HHIHBB8x", 0x000C, 0, 3, 280, 1, 0)  # source: LINKTYPE_LINUX_SLL2, interface index 3
    log = read_bytes(capture([second + frame], COOKED2))
    assert log.frames == [(START_NS, "3", 0x123, Flag(0), b"abc")]


def test_other_link_types_are_counted(read_bytes: Reader) -> None:
    log = read_bytes(capture([bytes(60)] * 3, 1))
    assert not log.frames
    assert log.report.skipped == {"link_type_1": 3}


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    """Source: draft-ietf-opsawg-pcapng."""
    body = body + bytes(-len(body) % 4)
    return struct.pack(f"{order}II", kind, 12 + len(body)) + body + struct.pack(f"{order}I", 12 + len(body))


def section(order: str = "<") -> bytes:
    return block(0x0A0D0D0A, struct.pack(f"{order}IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(link: int, name: bytes = b"", resolution: int | None = None, order: str = "<") -> bytes:
    options = b""
    if name:
        options += struct.pack(f"{order}HH", 2, len(name)) + name + bytes(-len(name) % 4)
    if resolution is not None:
        options += struct.pack(f"{order}HHB3x", 9, 1, resolution)
    return block(1, struct.pack(f"{order}HHI", link, 0, 0) + options + bytes(4), order)


def enhanced(number: int, ticks: int, packet: bytes, order: str = "<") -> bytes:
    head = struct.pack(f"{order}5I", number, ticks >> 32, ticks & 0xFFFFFFFF, len(packet), len(packet))
    return block(6, head + packet, order)


@pytest.mark.parametrize("order", ["<", ">"])
def test_interfaces_of_a_pcapng_have_names_and_clocks_of_their_own(read_bytes: Reader, order: str) -> None:
    lin = bytes.fromhex("010000004211d5004a5593e5")
    content = section(order) + interface(CAN, b"can0", 9, order) + interface(LIN, b"lin0", None, order)
    content += interface(CAN, b"", 0x80 | 10, order)
    content += enhanced(0, START_NS + 1, can_packet(0x123, b"ab"), order)
    content += enhanced(1, START_S * 1_000_000 + 2, lin, order)
    content += block(3, struct.pack(f"{order}I", 10) + can_packet(0x1, b"cd"), order)
    content += block(5, bytes(12), order)
    content += enhanced(2, START_S * 1024 + 512, can_packet(0x124, b"ef"), order)
    log = read_bytes(content)
    assert log.format == "pcapng"
    assert log.frames == [
        (START_NS + 1, "can0", 0x123, Flag(0), b"ab"),
        (START_NS + 2000, "lin0", 0x11, Flag.LIN, bytes.fromhex("4a5593e5")),
        (START_NS + 500_000_000, "2", 0x124, Flag(0), b"ef"),
    ]
    assert log.report.skipped == {"packet_without_time": 1}
    assert not log.report.dropped


def numbered_blocks(count: int) -> bytes:
    packets = numbered(count, None)
    return (
        section()
        + interface(CAN, b"can0", 9)
        + b"".join(enhanced(0, START_NS + row * 1_000_000, packet) for row, packet in enumerate(packets))
    )


def test_a_second_section_numbers_its_interfaces_anew(read_bytes: Reader) -> None:
    second = section(">") + interface(CAN, b"can1", 9, ">") + enhanced(0, START_NS, can_packet(5, b"x"), ">")
    log = read_bytes(numbered_blocks(20) + second)
    assert log.channels == ["can0"] * 20 + ["can1"]


def test_wanted_identifiers_are_kept_with_all_errors(read_bytes: Reader) -> None:
    content = capture([*numbered(70), can_packet(0x20000004, bytes(8))])
    log = read_bytes(content, options=ReadOptions(wanted=frozenset({0x103})))
    assert log.identifiers == [0x103] * 10 + [4]
    assert log.report.frames == 71


@pytest.mark.parametrize("ng", [False, True])
def test_wherever_a_capture_is_cut_the_frames_before_are_kept(read_bytes: Reader, ng: bool) -> None:
    whole = numbered_blocks(400) if ng else capture(numbered(400, None))
    for twentieth in range(1, 20):
        log = read_bytes(whole[: len(whole) * twentieth // 20])
        assert numbers(log) == list(range(len(log.frames)))
        assert abs(len(log.frames) - 20 * twentieth) <= 8
        assert sum(log.report.dropped.values()) <= 1


def test_a_capture_cut_in_its_header_is_refused(read_bytes: Reader) -> None:
    with pytest.raises(LogError, match="header"):
        read_bytes(capture([])[:20])


@pytest.mark.parametrize("length", [0xFFFFFFFF, 1_000_000, 20_000, 40, 13, 9])
def test_a_false_length_costs_few_frames(read_bytes: Reader, length: int) -> None:
    packets = numbered(3000, None)
    content = bytearray(capture(packets))
    at = 24 + sum(16 + len(packet) for packet in packets[:1000])
    content[at + 8 : at + 12] = length.to_bytes(4, "little")
    began = time.perf_counter()
    log = read_bytes(bytes(content))
    assert time.perf_counter() - began < 5
    kept = numbers(log)
    assert kept[:999] == list(range(999))
    assert kept[-1990:] == list(range(1010, 3000))
    assert log.report.dropped


@pytest.mark.parametrize("ng", [False, True])
def test_changed_bytes_cost_few_frames(read_bytes: Reader, ng: bool) -> None:
    whole = numbered_blocks(600) if ng else capture(numbered(600, None))
    rng = random.Random(4)
    for _ in range(200):
        damaged = bytearray(whole)
        damaged[rng.randrange(84, len(whole))] ^= 1 << rng.randrange(8)
        log = read_bytes(bytes(damaged))
        assert len(set(numbers(log)) & set(range(600))) >= 596


@given(noise=st.binary(max_size=300), at=st.integers(100, 12_000), ng=st.booleans())
@settings(max_examples=150, deadline=None)
def test_noise_never_stops_reading(read_bytes: Reader, noise: bytes, at: int, ng: bool) -> None:
    whole = numbered_blocks(600) if ng else capture(numbered(600, None))
    at = at // 4 * 4 if ng else at
    noise = noise[: len(noise) // 4 * 4] if ng else noise  # blocks lie on multiples of four
    log = read_bytes(whole[:at] + noise + whole[at:], "noise.pcap")
    assert set(range(560, 600)) <= set(numbers(log)) or at > 11_000


@pytest.mark.parametrize("size", [1, 4096, 5000, 70_000])
def test_reading_in_pieces_of_any_size_gives_the_same_frames(read_bytes: Reader, size: int) -> None:
    for content in (capture(numbered(5000, None)), numbered_blocks(3000)):
        log = read_bytes(content, options=ReadOptions(buffer_bytes=size))
        assert numbers(log) == list(range(len(log.frames)))
        assert len(log.frames) >= 3000
        assert not log.report.dropped


def test_time_may_jump_and_jump_back(read_bytes: Reader) -> None:
    first, second = capture(numbered(50)), bytearray(capture(numbered(100)))
    for row in range(100):
        struct.pack_into("<I", second, 24 + 32 * row, 5 + row)
    log = read_bytes(first + bytes(second[24:]) + first[24:])
    assert numbers(log) == [*range(50), *range(100), *range(50)]
    assert not log.report.dropped
