"""MF4 files made here, for what no general writer makes. Expected values: by hand."""

from __future__ import annotations

import itertools
import random
import struct
import time
import zlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from decoder.frames import Flag
from decoder.logs import ReadOptions

Reader = Callable[..., Any]
START_NS = 1_700_000_000_000_000_000


@dataclass
class Mf4:
    """A file under construction: blocks are laid one behind the other, links may be mended later."""

    content: bytearray = field(default_factory=bytearray)
    finished: bool = True

    def __post_init__(self) -> None:
        head = b"MDF     " if self.finished else b"UnFinMF "
        self.content += (head + b"4.11    test    " + bytes(4) + struct.pack("<H", 411)).ljust(60, b"\0")
        self.content += struct.pack("<HH", 0 if self.finished else 0x25, 0)
        self.block(b"HD", [0] * 6, struct.pack("<QhhBBBBdd", START_NS, 0, 0, 0, 0, 0, 0, 0.0, 0.0))

    def block(self, kind: bytes, links: Sequence[int], data: bytes = b"", *, length: int | None = None) -> int:
        place = len(self.content)
        total = 24 + 8 * len(links) + len(data)
        self.content += struct.pack("<4s4xQQ", b"##" + kind, total if length is None else length, len(links))
        self.content += struct.pack(f"<{len(links)}Q", *links) + data
        self.content += bytes(-len(self.content) % 8)
        return place

    def link(self, place: int, number: int, target: int) -> None:
        struct.pack_into("<Q", self.content, place + 24 + 8 * number, target)

    def text(self, words: str) -> int:
        return self.block(b"TX", [], words.encode() + b"\0")

    def channel(
        self,
        name: str,
        byte: int,
        bits: int,
        *,
        bit: int = 0,
        kind: int = 0,
        data_type: int = 0,
        factor: tuple[float, float] | None = None,
        link: int = 0,
    ) -> int:
        conversion = 0
        if factor is not None:
            conversion = self.block(b"CC", [0] * 4, struct.pack("<BBHHHdddd", 1, 0, 0, 0, 2, 0.0, 0.0, *factor))
        data = struct.pack("<BBBBIIII", kind, kind == 2, data_type, bit, byte, bits, 0x400, 0)
        return self.block(b"CN", [0, 0, self.text(name), 0, conversion, link, 0, 0], data + bytes(48))

    def group(self, channels: Sequence[int], size: int, *, record_id: int = 0, count: int = 0, flags: int = 6) -> int:
        for one, following in itertools.pairwise(channels):
            self.link(one, 0, following)
        data = struct.pack("<QQHHIII", record_id, count, flags, 46, 0, size, 0)
        return self.block(b"CG", [0, channels[0] if channels else 0, 0, 0, 0, 0], data)

    def data_group(self, groups: Sequence[int], data: int, *, id_bytes: int = 0) -> int:
        for one, following in itertools.pairwise(groups):
            self.link(one, 0, following)
        return self.block(b"DG", [0, groups[0], data, 0], struct.pack("<B7x", id_bytes))

    def close(self, data_groups: Sequence[int]) -> bytes:
        self.link(64, 0, data_groups[0])
        for one, following in itertools.pairwise(data_groups):
            self.link(one, 0, following)
        return bytes(self.content)

    def can_channels(self) -> list[int]:
        """A record of 23 bytes: time in us, identifier, channel, length, data, direction."""
        return [
            self.channel("Timestamp", 0, 64, kind=2, factor=(0.0, 1e-6)),
            self.channel("CAN_DataFrame", 8, 120, data_type=10),
            self.channel("CAN_DataFrame.ID", 8, 29),
            self.channel("CAN_DataFrame.IDE", 11, 1, bit=7),
            self.channel("CAN_DataFrame.BusChannel", 12, 8),
            self.channel("CAN_DataFrame.DataLength", 13, 8),
            self.channel("CAN_DataFrame.DataBytes", 14, 64, data_type=10),
            self.channel("CAN_DataFrame.Dir", 22, 1),
        ]


def can_record(number: int) -> bytes:
    return struct.pack("<QLBB8sB", number * 1000, 0x100 + number % 5, 1, 8, number.to_bytes(8, "little"), 0)


def numbers(log: Any) -> list[int]:
    return [int.from_bytes(data, "little") for data in log.data]


def deflated(content: bytes, columns: int = 0) -> bytes:
    """The body of a DZ block; columns: of a transposed one."""
    stored = content
    if columns:
        rows = len(content) // columns
        body = np.frombuffer(content[: rows * columns], np.uint8).reshape(rows, columns).T.tobytes()
        stored = body + content[rows * columns :]
    packed = zlib.compress(stored)
    return struct.pack("<2sBBIQQ", b"DT", bool(columns), 0, columns, len(content), len(packed)) + packed


def listed(parts: Iterable[bytes], kinds: Sequence[bytes], *, finished: bool = True) -> tuple[bytes, list[int]]:
    """CAN records in several data blocks named by a list; the places of the blocks."""
    file = Mf4(finished=finished)
    bodies = list(parts)
    places, offsets, offset = [], [], 0
    for body, kind in zip(bodies, kinds, strict=True):
        columns = 23 if kind == b"DZT" else 0
        places.append(file.block(kind[:2], [], body if kind == b"DT" else deflated(body, columns)))
        offsets.append(offset)
        offset += len(body)
    head = struct.pack("<B3xI", 0, len(places)) + struct.pack(f"<{len(places)}Q", *offsets)
    table = file.block(b"HL", [file.block(b"DL", [0, *places], head)], bytes(8))
    group = file.group(file.can_channels(), 23, count=offset // 23)
    return file.close([file.data_group([group], table)]), places


def records(first: int, last: int) -> bytes:
    return b"".join(map(can_record, range(first, last)))


@pytest.mark.parametrize("kinds", [[b"DT"] * 3, [b"DZ"] * 3, [b"DZT"] * 3, [b"DT", b"DZT", b"DZ"]])
@pytest.mark.parametrize("cut", [23 * 40, 23 * 40 + 7])
def test_records_in_blocks_of_any_kind_are_joined(read_bytes: Reader, kinds: list[bytes], cut: int) -> None:
    whole = records(0, 100)
    content, _ = listed([whole[:cut], whole[cut : 2 * cut], whole[2 * cut :]], kinds)
    log = read_bytes(content)
    assert numbers(log) == list(range(100))
    assert log.frames[7] == (START_NS + 7_000_000, "1", 0x102, Flag(0), (7).to_bytes(8, "little"))
    assert not log.report.dropped


def test_a_damaged_block_costs_its_own_records(read_bytes: Reader) -> None:
    whole = records(0, 90)
    cut = 23 * 30 + 5  # in the middle of a record
    content, places = listed([whole[:cut], whole[cut : 2 * cut], whole[2 * cut :]], [b"DZ"] * 3)
    damaged = bytearray(content)
    damaged[places[1] + 60] ^= 0x40
    log = read_bytes(bytes(damaged))
    assert numbers(log) == [*range(30), *range(61, 90)]  # the records that touch the lost bytes are lost
    assert log.places[0] == (f"byte {places[1]}", "damaged_block")
    assert log.report.dropped["missing_record"] == 31


def test_a_lost_block_header_costs_its_own_records(read_bytes: Reader) -> None:
    whole = records(0, 90)
    content, places = listed([whole[: 23 * 30], whole[23 * 30 : 23 * 60], whole[23 * 60 :]], [b"DT"] * 3)
    damaged = bytearray(content)
    damaged[places[1]] = 0
    assert numbers(read_bytes(bytes(damaged))) == [*range(30), *range(60, 90)]


def lin_file() -> bytes:
    """LIN frames and faults, each kind in a data group of its own, and CAN beside them."""
    file = Mf4()
    groups = []
    rows = [
        ("LIN_Frame", [(0, 0x11, 4, "4a5593e5", 0xD5), (30, 0x22, 2, "0102", 0)]),
        ("LIN_ChecksumError", [(10, 0x11, 4, "4a5593e5", 0x55)]),
        ("LIN_TransmissionError", [(20, 0x22, 0, "", 0)]),
        ("LIN_ReceiveError", [(25, 0x23, 0, "", 0)]),
    ]
    for name, frames in rows:
        channels = [
            file.channel("Timestamp", 0, 64, kind=2, data_type=4),
            file.channel(f"{name}.BusChannel", 8, 2, kind=0),
            file.channel(f"{name}.ID", 8, 6, bit=2),
        ]
        if name in {"LIN_Frame", "LIN_ChecksumError"}:
            channels += [
                file.channel(f"{name}.DataLength", 9, 4),
                file.channel(f"{name}.DataBytes", 10, 64, data_type=10),
                file.channel(f"{name}.Checksum", 18, 8),
            ]
        data = b"".join(
            struct.pack("<dBB8sB", at / 1000, identifier << 2 | 2, length, bytes.fromhex(payload), checksum)
            for at, identifier, length, payload, checksum in frames
        )
        place = file.block(b"DT", [], data)
        groups.append(file.data_group([file.group(channels, 19, count=len(frames))], place))
    place = file.block(b"DT", [], records(15, 17))
    groups.append(file.data_group([file.group(file.can_channels(), 23, count=2)], place))
    return file.close(groups)


def test_lin_frames_and_their_faults_come_in_order_of_time(read_bytes: Reader) -> None:
    log = read_bytes(lin_file())
    data = bytes.fromhex("4a5593e5")
    at = [START_NS + ms * 1_000_000 for ms in (0, 10, 15, 16, 20, 25, 30)]
    assert [row[:4] for row in log.frames] == [
        (at[0], "L2", 0x11, Flag.LIN),
        (at[1], "L2", 0x11, Flag.LIN | Flag.ERROR | Flag.BAD_CHECKSUM),
        (at[2], "1", 0x100, Flag(0)),
        (at[3], "1", 0x101, Flag(0)),
        (at[4], "L2", 0x22, Flag.LIN | Flag.ERROR | Flag.NO_RESPONSE),
        (at[5], "L2", 0x23, Flag.LIN | Flag.ERROR),
        (at[6], "L2", 0x22, Flag.LIN),
    ]
    assert [log.data[row] for row in (0, 1, 4, 5, 6)] == [data, data, b"", b"", bytes([1, 2])]
    assert [log.checksums[row] for row in (0, 1, 2, 4)] == [0xD5, 0x55, -1, -1]
    assert not log.report.dropped


def variable_file(*, mixed: bool, finished: bool = True) -> bytes:
    """Payloads of variable length: in records of their own between the others (mixed), or in a block of their own."""
    file = Mf4(finished=finished)
    payloads = [bytes([row]) * (row % 65) for row in range(200)]
    offsets = np.cumsum([0] + [4 + len(payload) for payload in payloads]).tolist()
    rows = [
        struct.pack("<QLBBQB", row * 1000, 0x100 + row % 5, 1, len(payload), offsets[row], 1)
        for row, payload in enumerate(payloads)
    ]
    values = [struct.pack("<I", len(payload)) + payload for payload in payloads]
    channels = file.can_channels()
    struct.pack_into("<B", file.content, channels[6] + 24 + 64, 1)  # the data's channel is of variable length
    if not mixed:
        file.link(channels[6], 5, file.block(b"SD", [], b"".join(values)))
        data = file.block(b"DT", [], b"".join(rows))
        return file.close([file.data_group([file.group(channels, 23, count=200)], data)])
    first = file.group(channels, 23, record_id=1, count=200 if finished else 0)
    second = file.group([], 0, record_id=2, flags=1)
    file.link(channels[6], 5, second)
    stream = b"".join(b"\x01" + row + b"\x02" + value for row, value in zip(rows, values, strict=True))
    group = file.data_group([first, second], 0, id_bytes=1)
    file.link(group, 2, len(file.content))
    file.block(b"DT", [], stream, length=None if finished else 24)
    return file.close([group])


@pytest.mark.parametrize("mixed", [True, False])
def test_payloads_of_variable_length_meet_their_records(read_bytes: Reader, mixed: bool) -> None:
    log = read_bytes(variable_file(mixed=mixed))
    assert log.data == [bytes([row]) * (row % 65) for row in range(200)]
    assert set(log.flags) == {Flag.TRANSMIT}
    assert not log.report.dropped


def test_an_unfinished_file_is_read_to_its_end(read_bytes: Reader) -> None:
    content = variable_file(mixed=True, finished=False).rstrip(b"\0")
    log = read_bytes(content)
    assert log.data == [bytes([row]) * (row % 65) for row in range(200)]


def test_damage_among_mixed_records_costs_the_records_it_touches(read_bytes: Reader) -> None:
    content = variable_file(mixed=True, finished=False)
    data = content.rindex(b"##DT") + 24
    rng = random.Random(3)
    good = {bytes([row]) * (row % 65) for row in range(200)}
    for _ in range(100):
        damaged = bytearray(content)
        damaged[rng.randrange(data, data + 6000)] ^= 1 << rng.randrange(8)
        log = read_bytes(bytes(damaged))
        assert len(good & set(log.data)) >= len(good) - 3
        assert len(log.frames) == 200 or log.report.dropped


def test_fields_without_bits_and_big_endian_numbers_are_understood(read_bytes: Reader) -> None:
    file = Mf4()
    channels = [
        file.channel("t", 0, 48, kind=2, data_type=1, factor=(0.0, 1e-6)),
        file.channel("CAN_DataFrame.BusChannel", 0, 0, kind=6, factor=(9.0, 0.0)),
        file.channel("CAN_DataFrame.ID", 6, 32, data_type=1),
        file.channel("CAN_DataFrame.DLC", 10, 4),
        file.channel("CAN_DataFrame.EDL", 0, 0, kind=6, factor=(1.0, 0.0)),
        file.channel("CAN_DataFrame.DataBytes", 11, 512, data_type=10),
    ]
    row = (1_500_000).to_bytes(6, "big") + (0x98FEF700).to_bytes(4, "big") + b"\x0d" + bytes(range(64))
    group = file.group(channels, 75, count=1)
    content = file.close([file.data_group([group], file.block(b"DT", [], row))])
    log = read_bytes(content)
    # source: ISO 11898-1, DLC 13 of CAN FD means 32 bytes; the top bit marks an extended identifier
    assert log.frames == [
        (START_NS + 1_500_000_000, "9", 0x18FEF700, Flag.EXTENDED | Flag.FD, bytes(range(32))),
    ]


def test_wanted_identifiers_are_kept(read_bytes: Reader) -> None:
    content, _ = listed([records(0, 100)], [b"DZT"])
    log = read_bytes(content, options=ReadOptions(wanted=frozenset({0x103})))
    assert numbers(log) == list(range(3, 100, 5))
    assert log.report.frames == 100


@pytest.mark.parametrize("number", [0, 1, 2])
def test_links_that_lead_in_a_circle_end(read_bytes: Reader, number: int) -> None:
    file = Mf4()
    channels = file.can_channels()
    group = file.group(channels, 23, count=3)
    data = file.block(b"DL", [0, file.block(b"DT", [], records(0, 3))], struct.pack("<B3xIQ", 0, 1, 0))
    data_group = file.data_group([group], data)
    content = bytearray(file.close([data_group]))
    place, target = [(channels[-1], channels[0]), (data_group, data_group), (data, data)][number]
    struct.pack_into("<Q", content, place + 24, target)
    assert numbers(read_bytes(bytes(content)))[:3] == [0, 1, 2]


def test_a_deflated_block_that_claims_too_much_is_refused(read_bytes: Reader) -> None:
    file = Mf4()
    body = deflated(bytes(100_000_000))
    data = file.block(b"DL", [0, file.block(b"DZ", [], body), file.block(b"DT", [], records(0, 3))])
    content = file.close([file.data_group([file.group(file.can_channels(), 23)], data)])
    began = time.perf_counter()
    log = read_bytes(content)
    assert time.perf_counter() - began < 3
    assert "block_too_large" in log.report.dropped


@pytest.mark.parametrize("name", ["lin", "mixed", "listed"])
def test_changed_bytes_never_stop_reading(read_changed: Callable[..., None], name: str) -> None:
    rows = [records(0, 50), records(50, 100)]
    content = {"lin": lin_file(), "mixed": variable_file(mixed=True), "listed": listed(rows, [b"DZT", b"DZ"])[0]}[name]
    read_changed(content, "changed.mf4", copies=250, seed=name)
