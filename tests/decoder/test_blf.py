"""BLF logs. Expected values: python-can where it reads the same, the sample objects' bytes by hand otherwise."""

from __future__ import annotations

import io
import random
import struct
import time
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.frames import Flag
from decoder.logs import ReadOptions

Reader = Callable[..., Any]
FlagsOf = Callable[[can.Message], Flag]
START_NS = 1_700_000_000_000_000_000
HEADER_BYTES = 144


def blf(*parts: bytes, start: Sequence[int] = (2023, 11, 2, 14, 22, 13, 20, 0)) -> bytes:
    """A file of these top-level objects. The default start is 2023-11-14 22:13:20, START_NS."""
    header = struct.pack("<4sL8B", b"LOGG", HEADER_BYTES, 5, 0, 0, 0, 2, 6, 8, 1)
    header += struct.pack("<QQLL8H8H", 0, 0, 0, 0, *start, *start)
    return header.ljust(HEADER_BYTES, b"\0") + b"".join(parts)


def container(content: bytes, *, method: int = 2, size: int | None = None) -> bytes:
    """A container of these bytes with the padding that loggers write: size modulo 4."""
    body = zlib.compress(content) if method == 2 else content
    total = 32 + len(body)
    head = struct.pack("<4sHHLLH6xL4x", b"LOBJ", 16, 1, total if size is None else size, 10, method, len(content))
    return head + body + bytes(total % 4)


def thing(kind: int, body: bytes, ticks: int = 0, *, unit: int = 2, version: int = 1) -> bytes:
    """One object. unit: 1 for 10 us, 2 for 1 ns."""
    size = 32 if version == 1 else 40
    head = struct.pack("<4sHHLL", b"LOBJ", size, version, size + len(body), kind)
    rest = struct.pack("<LHHQ", unit, 0, 0, ticks) if version == 1 else struct.pack("<LBxHQ8x", unit, 0, 0, ticks)
    return head + rest + body


def frame(number: int, ticks: int | None = None, **how: int) -> bytes:
    """A CAN frame whose data are its number."""
    body = struct.pack("<HBBL", 1, 0, 8, 0x100 + number % 7) + number.to_bytes(8, "little")
    return thing(1, body, number * 1_000_000 if ticks is None else ticks, **how)


def numbers(log: Any) -> list[int]:
    return [int.from_bytes(data, "little") for data in log.data]


def lin_body(identifier: int, data: bytes, checksum: int, direction: int = 0, channel: int = 1) -> bytes:
    head = struct.pack("<HBB8s", channel, identifier, len(data), data.ljust(8, b"\0"))
    return head + bytes(4) + struct.pack("<HBBL", checksum, direction, 0, 0)


def expected(message: can.Message, flags_of: FlagsOf) -> tuple[str, int, Flag, bytes]:
    return str(message.channel + 1), message.arbitration_id, flags_of(message), bytes(message.data)


@pytest.mark.parametrize("name", ["test_CanMessage.blf", "test_CanErrorFrameExt.blf", "test_CanFdMessage64.blf"])
def test_real_objects_are_read_as_python_can_reads_them(
    external_logs: Path, read_file: Reader, flags_of: FlagsOf, name: str
) -> None:
    path = external_logs / "python-can" / name
    log = read_file(path)
    messages = list(can.LogReader(path))
    assert len(messages) == 2
    assert [row[1:] for row in log.frames] == [expected(message, flags_of) for message in messages]
    assert log.format == "blf"
    assert not log.report.dropped
    assert all(abs(at / 1e9 - one.timestamp) < 1e-6 for at, one in zip(log.times, messages, strict=True))


SAMPLES = {  # by hand from the bytes of the sample objects
    "CAN_MESSAGE": ("4369", 0x04444444, Flag(0), bytes.fromhex("5566778899aabbcc")),
    "CAN_MESSAGE2": ("4369", 0x04444444, Flag(0), bytes.fromhex("5566778899aabbcc")),
    "LIN_MESSAGE": ("L4369", 0x22, Flag.LIN | Flag.TRANSMIT, bytes.fromhex("445566778899aabb")),
    "LIN_CRC_ERROR": (
        "L4369",
        0x22,
        Flag.LIN | Flag.TRANSMIT | Flag.ERROR | Flag.BAD_CHECKSUM,
        bytes.fromhex("445566778899aabb"),
    ),
    "LIN_MESSAGE2": ("L13107", 0x04, Flag.LIN | Flag.TRANSMIT, bytes.fromhex("1122334455667788")),
    "CAN_FD_MESSAGE": (
        "4369",
        0x04444444,
        Flag.FD | Flag.BIT_RATE_SWITCH | Flag.ERROR_STATE,
        bytes(range(64)),
    ),
    "CAN_FD_MESSAGE_64": ("1", 0xA8, Flag.FD | Flag.BIT_RATE_SWITCH, bytes.fromhex("b8da1f80ff000000")),
}


@pytest.mark.parametrize("name", sorted(SAMPLES))
@pytest.mark.parametrize("packing", ["none", "stored", "deflated"])
def test_sample_objects_are_read_in_every_packing(
    external_logs: Path, read_bytes: Reader, name: str, packing: str
) -> None:
    content = (external_logs / "vblf" / f"{name}.lobj").read_bytes()
    content = content[:24] + bytes(8) + content[32:]  # the samples' times are made up, some lie centuries ahead
    packed = {"none": content, "stored": container(content, method=0), "deflated": container(content)}[packing]
    log = read_bytes(blf(packed))
    assert not log.report.dropped
    assert [row[1:] for row in log.frames] == [SAMPLES[name]]


def test_lin_frames_keep_their_checksum_and_faults_are_told_apart(read_bytes: Reader) -> None:
    data = bytes.fromhex("4a5593e5")
    descriptor = struct.pack("<QLHHQQHHBBBB", 0, 19_200, 2, 0, 0, 0, 0, 0, 0, 0x11, 4, 1) + bytes(72)
    tail = struct.pack("<8sHB9x", data, 0xD5, 0)
    content = [
        thing(11, lin_body(0x11, data, 0xD5), 1_000),
        thing(11, lin_body(0x11, data, 0xD5, direction=1), 2_000),
        thing(57, descriptor + tail, 3_000),
        thing(12, lin_body(0x11, data, 0x55), 4_000),
        thing(14, struct.pack("<HBB8x", 1, 0x11, 4), 5_000),
        thing(15, struct.pack("<HBB8x", 1, 0x22, 4), 6_000),
        thing(20, struct.pack("<HBBL", 1, 2, 0, 0), 7_000),
        thing(21, struct.pack("<HBBL", 1, 0, 0, 0), 8_000),
        thing(60, descriptor + tail, 9_000),
        thing(61, descriptor + tail, 10_000),
        thing(1, struct.pack("<HBBL8s", 1, 0, 4, 0x11, data), 11_000),
    ]
    log = read_bytes(blf(container(b"".join(content))))
    bad, silent = Flag.LIN | Flag.ERROR | Flag.BAD_CHECKSUM, Flag.LIN | Flag.ERROR | Flag.NO_RESPONSE
    assert [row[1:4] for row in log.frames] == [
        ("L1", 0x11, Flag.LIN),
        ("L1", 0x11, Flag.LIN | Flag.TRANSMIT),
        ("L2", 0x11, Flag.LIN),
        ("L1", 0x11, bad),
        ("L1", 0x11, Flag.LIN | Flag.ERROR),
        ("L1", 0x22, silent),
        ("L2", 0x11, bad),
        ("L2", 0x11, Flag.LIN | Flag.ERROR),
        ("1", 0x11, Flag(0)),
    ]
    assert log.checksums == [0xD5, 0xD5, 0xD5, 0x55, -1, -1, 0xD5, -1, -1]
    assert log.data == [data, data, data, data, b"", b"", data, b"", data]
    assert log.report.skipped == {"lin_sleep": 1, "lin_wake_up": 1}
    assert not log.report.dropped


def test_both_units_of_time_and_both_headers_are_understood(read_bytes: Reader) -> None:
    content = [frame(1, 150_000, unit=1), frame(2, 1_500_000_001, unit=2), frame(3, 2_000_000_000, version=2)]
    log = read_bytes(blf(container(b"".join(content))))
    assert numbers(log) == [1, 2, 3]
    assert log.times == [START_NS + 1_500_000_000, START_NS + 1_500_000_001, START_NS + 2_000_000_000]
    assert any("UTC" in note for note in log.report.notes)


def test_an_impossible_start_date_makes_the_time_relative(read_bytes: Reader) -> None:
    log = read_bytes(blf(container(frame(1)), start=(2023, 13, 0, 40, 25, 0, 0, 0)))
    assert log.times == [1_000_000]


def test_an_absurd_time_drops_the_frame_and_says_where(read_bytes: Reader) -> None:
    log = read_bytes(blf(container(frame(1) + frame(2, (1 << 64) - 1) + frame(3))))
    assert numbers(log) == [1, 3]
    assert log.places == [("byte 144, unpacked byte 48", "impossible_time")]


def test_objects_may_lie_at_any_byte_and_span_containers(read_bytes: Reader) -> None:
    stream = b"".join(thing(65, bytes(number)) + bytes(number % 4) + frame(number) for number in range(1, 30))
    pieces = [stream[at : at + 61] for at in range(0, len(stream), 61)]
    for method in (0, 2):
        log = read_bytes(blf(*(container(piece, method=method) for piece in pieces)))
        assert numbers(log) == list(range(1, 30))
        assert log.report.skipped == {"object_type_65": 29}
        assert not log.report.dropped


def test_objects_outside_containers_are_read_in_their_place(read_bytes: Reader) -> None:
    log = read_bytes(blf(frame(1), container(frame(2) + frame(3)), frame(4), frame(5), container(frame(6))))
    assert numbers(log) == [1, 2, 3, 4, 5, 6]
    assert not log.report.dropped


@pytest.mark.parametrize("size", [0, 1, 15, 47, 96, 1000, 5_000_000, 0xFFFFFFFF])
def test_a_false_object_size_costs_one_frame(read_bytes: Reader, size: int) -> None:
    broken = bytearray(frame(2))
    broken[8:12] = size.to_bytes(4, "little")
    content = frame(1) + bytes(broken) + b"".join(map(frame, range(3, 60)))
    began = time.perf_counter()
    log = read_bytes(blf(container(content), container(frame(60))))
    assert time.perf_counter() - began < 5
    assert numbers(log) == [1, *range(3, 61)]
    assert log.report.dropped == {"damaged_record": 1}
    assert log.places == [("byte 144, unpacked byte 48", "damaged_record")]


def test_a_broken_signature_costs_one_object(read_bytes: Reader) -> None:
    content = frame(1) + b"LOBX" + frame(2)[4:] + frame(3)
    log = read_bytes(blf(container(content)))
    assert numbers(log) == [1, 3]
    assert log.places == [("byte 144, unpacked byte 48", "unreadable_bytes")]


def test_an_unknown_header_version_is_counted(read_bytes: Reader) -> None:
    odd = bytearray(frame(2))
    odd[6:8] = b"\x09\x00"
    log = read_bytes(blf(container(frame(1) + bytes(odd) + frame(3))))
    assert numbers(log) == [1, 3]
    assert log.report.dropped == {"damaged_record": 1}


def test_a_container_that_fails_its_checksum_is_not_believed(read_bytes: Reader) -> None:
    middle = bytearray(container(b"".join(map(frame, range(10, 20)))))
    middle[60] ^= 0x10
    log = read_bytes(blf(container(frame(1)), bytes(middle), container(frame(30))))
    assert numbers(log) == [1, 30]
    assert list(log.report.dropped) == ["damaged_container"]
    assert log.places[0][0] == f"byte {HEADER_BYTES + len(container(frame(1)))}"


@pytest.mark.parametrize("size", [0, 20, 33, 200, 70_000, 0xFFFFFFFF])
def test_a_container_of_false_size_is_still_unpacked(read_bytes: Reader, size: int) -> None:
    content = b"".join(map(frame, range(2, 40)))
    log = read_bytes(blf(container(frame(1)), container(content, size=size), *(container(frame(40)),) * 2))
    assert numbers(log) == [*range(1, 41), 40]
    assert log.report.dropped


def test_a_container_that_swells_beyond_measure_is_refused(read_bytes: Reader) -> None:
    began = time.perf_counter()
    log = read_bytes(blf(container(frame(1)), container(bytes(100_000_000)), container(frame(2))))
    assert time.perf_counter() - began < 5
    assert numbers(log) == [1, 2]
    assert "container_too_large" in log.report.dropped


def test_a_stream_of_nothing_but_signatures_ends(read_bytes: Reader) -> None:
    began = time.perf_counter()
    log = read_bytes(blf(container(b"LOBJ" * 500_000), b"LOBJ" * 100_000, container(frame(1))))
    assert time.perf_counter() - began < 10
    assert numbers(log) == [1]


def test_wanted_identifiers_are_kept_with_all_errors(read_bytes: Reader) -> None:
    error = thing(2, struct.pack("<HHL", 1, 0, 0), 5)
    content = b"".join(map(frame, range(70))) + error
    log = read_bytes(blf(container(content)), options=ReadOptions(wanted=frozenset({0x103})))
    assert log.identifiers == [0x103] * 10 + [0]
    assert log.report.frames == 71


def written(messages: Sequence[can.Message], **how: Any) -> bytes:
    """What python-can writes."""
    target = io.BytesIO()
    writer = can.BLFWriter(target, **how)
    for message in messages:
        writer(message)
    writer._flush()
    return target.getvalue()


@st.composite
def message(draw: st.DrawFn) -> can.Message:
    extended = draw(st.booleans())
    kind = draw(st.sampled_from(["data", "data", "fd", "remote", "error"]))
    data = draw(st.binary(max_size=8)) if kind == "data" else b""
    if kind == "fd":
        data = draw(st.binary(min_size=64, max_size=64))[: draw(st.sampled_from([0, 1, 8, 12, 16, 20, 24, 32, 48, 64]))]
    return can.Message(
        timestamp=1.7e9 + draw(st.integers(0, 1_000_000_000)) / 1e6,
        arbitration_id=draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF)),
        is_extended_id=extended,
        is_remote_frame=kind == "remote",
        is_error_frame=kind == "error",
        is_fd=kind == "fd",
        bitrate_switch=kind == "fd" and draw(st.booleans()),
        error_state_indicator=kind == "fd" and draw(st.booleans()),
        is_rx=draw(st.booleans()) or kind == "error",
        channel=draw(st.integers(0, 3)),
        data=data,
        dlc=len(data),
    )


@given(messages=st.lists(message(), max_size=40), level=st.sampled_from([-1, 0]), size=st.sampled_from([200, 131_072]))
@settings(max_examples=120, deadline=None)
def test_what_python_can_writes_is_read_back(
    read_bytes: Reader, flags_of: FlagsOf, messages: list[can.Message], level: int, size: int
) -> None:
    content = written(messages, compression_level=level, max_container_size=size)
    log = read_bytes(content, "written.blf")
    assert [row[1:] for row in log.frames] == [expected(one, flags_of) for one in messages]
    first = int(messages[0].timestamp * 1000) / 1000 if messages else 0.0  # the writer counts from here, never back
    for at, one in zip(log.times, messages, strict=True):
        since_first = max(one.timestamp, first) - messages[0].timestamp
        assert abs((at - log.times[0]) / 1e9 - since_first) < 2e-6
    assert not log.report.dropped


def long_log() -> bytes:
    """Twelve containers of 50 frames."""
    return blf(*(container(b"".join(map(frame, range(first, first + 50)))) for first in range(0, 600, 50)))


def test_wherever_a_log_is_cut_the_frames_before_are_kept(read_bytes: Reader) -> None:
    whole = long_log()
    ends = [HEADER_BYTES]
    while ends[-1] < len(whole):
        size = struct.unpack_from("<L", whole, ends[-1] + 8)[0]
        ends.append(ends[-1] + size + size % 4)
    for twentieth in range(1, 20):
        cut = len(whole) * twentieth // 20
        log = read_bytes(whole[:cut])
        complete = sum(end <= cut for end in ends[1:])
        assert numbers(log) == list(range(len(log.frames)))
        assert 50 * complete <= len(log.frames) < 50 * (complete + 1)
        assert log.report.dropped or cut in ends


def test_one_changed_byte_costs_one_container_at_most(read_bytes: Reader) -> None:
    whole = long_log()
    rng = random.Random(5)
    for _ in range(200):
        at = rng.randrange(72, len(whole))
        damaged = bytearray(whole)
        damaged[at] ^= 1 << rng.randrange(8)
        log = read_bytes(bytes(damaged))
        kept = numbers(log)
        assert len(kept) >= 550
        assert set(kept) <= set(range(600))
        assert log.report.dropped or kept == list(range(600))


def test_one_changed_byte_in_stored_objects_costs_one_frame(read_bytes: Reader) -> None:
    whole = blf(*map(frame, range(300)))
    rng = random.Random(6)
    for _ in range(300):
        at = HEADER_BYTES + 48 * rng.randrange(1, 299) + rng.randrange(16)
        damaged = bytearray(whole)
        damaged[at] ^= 1 << rng.randrange(8)
        log = read_bytes(bytes(damaged))
        assert len(set(numbers(log)) & set(range(300))) >= 299
        assert len(log.frames) == 300 or log.report.dropped or log.report.skipped


@given(noise=st.binary(max_size=400), at=st.integers(0, 2000))
@settings(max_examples=150, deadline=None)
def test_noise_never_stops_reading(read_bytes: Reader, noise: bytes, at: int) -> None:
    whole = long_log()
    log = read_bytes(whole[:72] + whole[72 : 72 + at] + noise + whole[72 + at :], "noise.blf")
    assert numbers(log)[-50:] == list(range(550, 600))


@pytest.mark.parametrize("size", [1, 5000, 70_000])
@pytest.mark.parametrize("pack", [True, False])
def test_reading_in_pieces_of_any_size_gives_the_same_frames(read_bytes: Reader, size: int, pack: bool) -> None:
    content = b"".join(map(frame, range(4000)))
    parts = [container(content[at : at + 9_999]) for at in range(0, len(content), 9_999)] if pack else [content]
    log = read_bytes(blf(*parts), options=ReadOptions(buffer_bytes=size))
    assert numbers(log) == list(range(4000))
    assert not log.report.dropped
