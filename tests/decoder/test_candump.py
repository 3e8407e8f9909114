"""SocketCAN text logs. Expected values: by hand from the line, or python-can where a test says so."""

from __future__ import annotations

import io
import random
from collections.abc import Callable
from typing import Any

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.frames import Flag
from decoder.logs import ReadOptions

GOOD = b"(1436509052.249713) vcan0 044#2A366C2B\n"
LATER = b"(1436509053.000001) vcan0 045#01\n"
START = 1_436_509_052_249_713_000
Reader = Callable[..., Any]


def test_a_line_is_read_exactly(read_bytes: Reader) -> None:
    log = read_bytes(GOOD)
    assert log.format == "candump"
    assert log.frames == [(START, "vcan0", 0x44, Flag(0), bytes.fromhex("2A366C2B"))]


@pytest.mark.parametrize(
    ("line", "frame"),
    [
        (b"(1436509052.249713) can0 18FEF700#1122", (0x18FEF700, Flag.EXTENDED, "1122")),
        (b"(1436509052.249713) can0 00000123#1122", (0x123, Flag.EXTENDED, "1122")),
        (b"(1436509052.249713) can0 123#", (0x123, Flag(0), "")),
        (b"(1436509052.249713) can0 123#R", (0x123, Flag.REMOTE, "")),
        (b"(1436509052.249713) can0 123#R8", (0x123, Flag.REMOTE, "")),
        (b"(1436509052.249713) can0 123#R8_C", (0x123, Flag.REMOTE, "")),
        (b"(1436509052.249713) can0 123#1122334455667788_E", (0x123, Flag(0), "1122334455667788")),
        (b"(1436509052.249713) can0 123#11.22.33", (0x123, Flag(0), "112233")),
        (b"(1436509052.249713) can0 123#aabb T", (0x123, Flag.TRANSMIT, "aabb")),
        (b"(1436509052.249713) can0 123#aabb R", (0x123, Flag(0), "aabb")),
        (b"(1436509052.249713) can0 123##0", (0x123, Flag.FD, "")),
        (b"(1436509052.249713) can0 123##1" + b"AB" * 64, (0x123, Flag.FD | Flag.BIT_RATE_SWITCH, "ab" * 64)),
        (b"(1436509052.249713) can0 18FEF700##3" + b"01" * 12 + b" T",
         (0x18FEF700, Flag.EXTENDED | Flag.FD | Flag.BIT_RATE_SWITCH | Flag.ERROR_STATE | Flag.TRANSMIT, "01" * 12)),
        # The flag for the frame's format (4) may stand beside the two others; the digit is hexadecimal.
        (b"(1436509052.249713) can0 123##E11", (0x123, Flag.FD | Flag.ERROR_STATE, "11")),
        # An error frame has bit 29 set, whatever its class: linux/can/error.h
        (b"(1436509052.249713) can0 20000004#0004000000000000", (4, Flag.ERROR | Flag.EXTENDED, "0004000000000000")),
        (b"(1436509052.249713) can0 20000080#", (0x80, Flag.ERROR | Flag.EXTENDED, "")),
    ],
)  # fmt: skip
def test_each_kind_of_frame_is_read_alone_and_among_others(
    read_bytes: Reader, line: bytes, frame: tuple[int, Flag, str]
) -> None:
    expected = [(frame[0], frame[1], bytes.fromhex(frame[2]))]
    assert [(f[2], f[3], f[4]) for f in read_bytes(line + b"\n").frames] == expected
    among = read_bytes(GOOD * 40 + line + b"\r\n" + GOOD)
    assert [(f[2], f[3], f[4]) for f in among.frames[40:41]] == expected
    assert len(among.frames) == 42
    assert not among.report.dropped


@pytest.mark.parametrize(
    ("line", "what"),
    [
        (b"garbage", "not_a_frame"),
        (b"\xff\xfe\x80 \x00 garbage", "not_a_frame"),
        (b"(1436509052.249713) can0 123#112", "data_not_hexadecimal"),
        (b"(1436509052.249713) can0 123#11GG", "data_not_hexadecimal"),
        (b"(1436509052.249713) can0 123##", "data_not_hexadecimal"),
        (b"(1436509052.249713) can0 123##0" + b"00" * 65, "too_many_bytes"),
        (b"(1436509052.249713) can0 123#" + b"00" * 9, "too_many_bytes"),
        (b"(1436509052.249713) can0 800#11", "identifier_out_of_range"),
        (b"(1436509052.249713) can0 1234#11", "identifier_out_of_range"),
        (b"(1436509052.249713) can0 40000123#11", "identifier_out_of_range"),
        (b"(nan) can0 123#11", "time_unreadable"),
        (b"(inf) can0 123#11", "time_unreadable"),
        (b"(-5.000000) can0 123#11", "time_out_of_range"),
        (b"(9999999999.000000) can0 123#11", "time_out_of_range"),
        (b"(99999999999999999.000000) can0 123#11", "time_out_of_range"),
        (b"can0  123   [2]  11 22", "no_time"),
        (b"(1436509052.249713)  can0  123   [3]  11 22", "length_differs"),
    ],
)
def test_damage_is_counted_with_its_line_and_nothing_around_it_is_lost(
    read_bytes: Reader, line: bytes, what: str
) -> None:
    log = read_bytes(GOOD * 3 + line + b"\n" + LATER)
    assert log.identifiers == [0x44, 0x44, 0x44, 0x45]
    assert log.places == [("line 4", what)]
    assert log.report.dropped == {what: 1}


def test_a_cut_last_line_is_counted(read_bytes: Reader) -> None:
    log = read_bytes(GOOD * 2 + GOOD[:-2])
    assert (len(log.frames), log.places) == (2, [("line 3", "cut_off")])


def test_a_whole_last_line_without_line_feed_is_read(read_bytes: Reader) -> None:
    assert read_bytes(GOOD + LATER[:-1]).identifiers == [0x44, 0x45]


def test_byte_order_mark_carriage_returns_and_blank_lines_are_no_damage(read_bytes: Reader) -> None:
    log = read_bytes(b"\xef\xbb\xbf" + GOOD.replace(b"\n", b"\r\n") + b"\r\n\n  \n" + LATER)
    assert log.identifiers == [0x44, 0x45]
    assert not log.report.dropped


def test_can_xl_is_skipped_and_said(read_bytes: Reader) -> None:
    # Layout of can-utils: identifier#flags:type:acceptance field#data
    log = read_bytes(GOOD + b"(1436509052.3) can0 00123#81:00:12345678#11223344.55667788\n" + LATER)
    assert log.identifiers == [0x44, 0x45]
    assert (log.report.dropped, log.report.skipped) == ({}, {"can_xl": 1})


def test_console_layout_with_time_is_read(read_bytes: Reader) -> None:
    text = (
        b" (1436509052.249713)  can0  123   [2]  11 22\n"
        b" (1436509052.249714)  can0  RX - -  18FEF700   [8]  01 02 03 04 05 06 07 08   '........'\n"
        b" (1436509052.249715)  can0  TX B E  123  [12]  01 02 03 04 05 06 07 08 09 0A 0B 0C\n"
        b" (1436509052.249716)  can0  321   [0]  remote request\n"
        b" (1436509052.249717)  can0  20000004   [8]  00 04 00 00 00 00 00 00   ERRORFRAME\n"
    )
    log = read_bytes(text)
    assert not log.report.dropped
    assert [f[2:4] for f in log.frames] == [
        (0x123, Flag(0)),
        (0x18FEF700, Flag.EXTENDED),
        (0x123, Flag.FD | Flag.TRANSMIT),
        (0x321, Flag.REMOTE),
        (4, Flag.EXTENDED | Flag.ERROR),
    ]
    assert log.data[2] == bytes(range(1, 13))


def test_times_with_a_date_are_read_as_utc_and_said(read_bytes: Reader) -> None:
    log = read_bytes(b" (2015-07-10 06:17:32.249713)  can0  123   [2]  11 22\n")
    assert log.times == [START]  # by hand: 1436509052 is 2015-07-10 06:17:32 UTC
    assert any("time zone" in note for note in log.report.notes)


def test_times_from_zero_are_relative(read_bytes: Reader) -> None:
    log = read_bytes(b"".join(b"(%03d.%06d) can0 123#11\n" % (n // 4, n % 4 * 250_000) for n in range(8)))
    assert log.times == [n * 250_000_000 for n in range(8)]


def test_times_between_frames_are_added_up_and_said(read_bytes: Reader) -> None:
    steps = [0, 10, 200, 5, 7, 300, 1, 12]
    log = read_bytes(b"".join(b"(000.%06d) can0 123#11\n" % step for step in steps))
    assert log.times == [sum(steps[: n + 1]) * 1000 for n in range(8)]
    assert any("added up" in note for note in log.report.notes)


def test_nanoseconds_are_kept(read_bytes: Reader) -> None:
    assert read_bytes(b"(1436509052.249713123) can0 123#11\n").times == [START + 123]


def test_every_width_of_seconds_gives_the_exact_time(read_bytes: Reader) -> None:
    whole = [0, 9, 10, 99, 100, 12345, 999_999, 1_000_000, 123_456_789, 1_436_509_052]
    log = read_bytes(b"".join(b"(%d.000001) can0 123#11\n" % second for second in whole))
    assert log.times == [second * 10**9 + 1000 for second in whole]


def test_lines_read_alike_are_those_read_field_by_field(read_bytes: Reader, monkeypatch: pytest.MonkeyPatch) -> None:
    dice = random.Random(7)
    kinds = [
        "(1436509052.{:06d}) can0 {}#{}",
        "(  7.{:06d}) can0 {}#{}",
        "(73.{:06d}) lin0 {}#{} T",
        "(3.{:06d}) c {}##1{}",
    ]
    lines = []
    for number in range(6000):
        name = dice.choice([f"{dice.randrange(2048):03X}", f"{dice.randrange(1 << 30):08x}"])
        kind = kinds[dice.choice([0, 0, 0, 1, 2, 2, 3])].format(number, name, dice.randbytes(dice.randrange(9)).hex())
        line = bytearray(kind.encode())
        if number % 5 == 0:  # one byte damaged
            line[dice.randrange(len(line))] = dice.randrange(32, 256)
        lines.append(bytes(line))
    text = b"\n".join(lines) + b"\n"
    alike = read_bytes(text)
    monkeypatch.setattr("decoder.logs.candump_columns.MIN_ROWS", 1 << 40)
    single = read_bytes(text)
    assert len(single.frames) > 3000
    assert alike.frames == single.frames
    assert alike.report == single.report


def test_a_line_of_fifty_megabytes_is_dropped_and_what_follows_is_read(read_bytes: Reader) -> None:
    log = read_bytes(GOOD + b"(1436509052.249713) can0 123#" + b"0" * 50_000_000 + b"\n" + LATER)
    assert log.identifiers == [0x44, 0x45]
    assert log.places == [("line 2", "line_too_long")]


def test_a_million_channels_are_no_memory(read_bytes: Reader) -> None:
    log = read_bytes(b"".join(b"(1436509052.249713) c%d 123#11\n" % n for n in range(20_000)))
    assert len(log.frames) == 4096
    assert log.report.dropped == {"too_many_channels": 20_000 - 4096}
    assert len(log.report.damage) == log.report.MAX_DAMAGE


def test_long_and_odd_channel_names_are_kept(read_bytes: Reader) -> None:
    names = ["c", "can0", "vcan1234", "a_long_interface", "lin0", "sllin0"]
    text = b"".join(b"(1436509052.249713) %s 123#11\n" % name.encode() for name in names)
    assert read_bytes(text * 2).channels == names * 2


def test_unwanted_identifiers_are_counted_but_not_handed_out(read_bytes: Reader) -> None:
    error = b"(1436509052.249713) can0 20000004#00\n"
    log = read_bytes(GOOD * 5 + LATER + error, options=ReadOptions(wanted=frozenset({0x45, -1, 2**40})))
    assert log.identifiers == [0x45, 4]
    assert log.report.frames == 7


messages = st.builds(
    can.Message,
    timestamp=st.integers(0, 2_000_000_000_000_000).map(lambda us: us / 1e6),
    is_extended_id=st.just(True),
    arbitration_id=st.integers(0, 0x1FFFFFFF),
    data=st.binary(max_size=8),
    channel=st.sampled_from(["can0", "vcan1", "slcan10"]),
    is_rx=st.booleans(),
) | st.builds(
    can.Message,
    timestamp=st.integers(0, 2_000_000_000_000_000).map(lambda us: us / 1e6),
    is_extended_id=st.just(False),
    arbitration_id=st.integers(0, 0x7FF),
    data=st.binary(max_size=64),
    is_fd=st.just(True),
    bitrate_switch=st.booleans(),
    error_state_indicator=st.booleans(),
    channel=st.just("can0"),
    is_rx=st.booleans(),
)


class _Text(io.StringIO):
    """A file that keeps its text after the writer has closed it."""

    def close(self) -> None:
        """Stay open."""


@settings(max_examples=60, deadline=None)
@given(st.lists(messages, min_size=1, max_size=60), st.integers(8192, 9000))
def test_what_python_can_writes_reads_back_equal(read_bytes: Reader, sent: list[can.Message], buffer: int) -> None:
    text = _Text()
    sent = sorted(sent, key=lambda message: message.timestamp)
    writer = can.CanutilsLogWriter(text)
    for message in sent:
        writer.on_message_received(message)
    content = text.getvalue().encode()
    log = read_bytes(content)
    assert log.frames == read_bytes(content, options=ReadOptions(buffer_bytes=buffer)).frames
    for message, (_, channel, identifier, flags, data) in zip(sent, log.frames, strict=True):
        assert (channel, identifier, data) == (message.channel, message.arbitration_id, bytes(message.data))
        assert bool(flags & Flag.EXTENDED) == message.is_extended_id
        assert bool(flags & Flag.FD) == message.is_fd
        assert bool(flags & Flag.BIT_RATE_SWITCH) == message.bitrate_switch
        assert bool(flags & Flag.ERROR_STATE) == message.error_state_indicator
        assert bool(flags & Flag.TRANSMIT) != message.is_rx
    if not any("added up" in note for note in log.report.notes):
        assert [round(message.timestamp * 1e6) * 1000 for message in sent] == log.times


@settings(max_examples=200, deadline=None)
@given(st.lists(st.binary(max_size=60) | st.sampled_from([GOOD, LATER, GOOD[:-9], b"\n"]), max_size=30))
def test_no_bytes_break_the_reader_or_lose_a_good_line(read_bytes: Reader, pieces: list[bytes]) -> None:
    content = GOOD + b"\n" + b"\n".join(pieces) + b"\n" + LATER
    log = read_bytes(content, options=ReadOptions(format="candump"))
    good = sum(line + b"\n" in {GOOD, LATER} for line in content.split(b"\n"))
    assert len(log.frames) >= good
    assert log.identifiers[0] == 0x44
    assert log.identifiers[-1] == 0x45
