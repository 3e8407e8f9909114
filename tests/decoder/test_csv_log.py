"""Tables of frames. Expected values: by hand from the row, or python-can where a test says so."""

# ruff: noqa: E501  # rows are quoted whole
from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.frames import Flag
from decoder.lin import protect
from decoder.logs import ReadOptions
from decoder.logs.csv_layout import find_layout
from signal_defs.errors import LogError, UsageError

Reader = Callable[..., Any]
OWN = b"timestamp,arbitration_id,extended,remote,error,dlc,data\n"
HEAD = b"time,channel,id,data\n"
ROW = b"1436509052.249713,can0,123,1122AABB\n"
START = 1_436_509_052_249_713_000
FRAME = (START, "can0", 0x123, Flag(0), bytes.fromhex("1122AABB"))


@pytest.mark.parametrize("times", [1, 50])
@pytest.mark.parametrize(
    ("text", "frame"),
    [
        (HEAD + ROW, FRAME),
        ((HEAD + ROW).replace(b",", b";").replace(b"052.", b"052,"), FRAME),
        ((HEAD + ROW).replace(b",", b"\t"), FRAME),
        (HEAD + b"1436509052.249713, can0, 0x123, 1122AABB\n", FRAME),
        (HEAD + b"1436509052.249713,can0,0x123,11 22 AA BB\n", FRAME),
        (HEAD + b"1436509052.249713,can0,123,11-22-aa-bb\n", FRAME),
        (HEAD + b"1436509052.249713,can0,123,0x1122AABB\n", FRAME),
        (HEAD + b'"1436509052.249713","can0","123","11 22 AA BB"\n', FRAME),
        (HEAD + b"2015-07-10T06:17:32.249713Z,can0,123,1122AABB\n", FRAME),
        (HEAD + b"10.07.2015 06:17:32.249713,can0,123,1122AABB\n", FRAME),
        (b"Zeit [ms];Kanal;Kennung;Daten\n1436509052249,713;can0;123;11 22 AA BB\n", FRAME),
        (b"time_us\tbus\tcan_id\tpayload\n1436509052249713\tcan0\t123\t1122AABB\n", FRAME),
        (b"Timestamp,Bus,Identifier (dec),DLC,Data\n1436509052.249713,can0,291,4,1122AABB\n", FRAME),
        (b"time,channel,id,d0,d1,d2,d3,d4\n1436509052.249713,can0,123,11,22,AA,BB,\n", FRAME),
        (b"time,channel,id,data\n1436509052.249713,can0,18FEF700x,11\n", (START, "can0", 0x18FEF700, Flag.EXTENDED, b"\x11")),
        (b"time,channel,id,dir,data\n1436509052.249713,can0,18FEF700,Tx,11\n", (START, "can0", 0x18FEF700, Flag.EXTENDED | Flag.TRANSMIT, b"\x11")),
        (HEAD + b"1436509052.249713,can0,123," + b"01" * 12 + b"\n", (START, "can0", 0x123, Flag.FD, b"\x01" * 12)),
        (HEAD + b"1436509052.249713,a_long_interface,123,11\n", (START, "a_long_interface", 0x123, Flag(0), b"\x11")),
        (HEAD + b"1436509052.249713,lin0,21,11\n", (START, "lin0", 0x21, Flag.LIN, b"\x11")),
    ],
)  # fmt: skip
def test_each_layout_is_read_alone_and_in_bulk(read_bytes: Reader, text: bytes, frame: Any, times: int) -> None:
    head, row = text.split(b"\n", 1)
    log = read_bytes(head + b"\n" + row * times, name="x.txt")
    assert log.format == "csv"
    assert log.frames == [frame] * times
    assert not log.report.dropped


@pytest.mark.parametrize("times", [1, 50])
def test_rows_of_lin_are_known_by_a_checksum_or_by_the_name(read_bytes: Reader, times: int) -> None:
    pid = f"{protect(0x21):02X}".encode()
    rows = b"0.1,1,21,112233,7F\n0.2,1,%s,112233,0x7f\n0.3,1,E1,112233,\n0.4,can1,21,11,\n" % pid
    log = read_bytes(b"time,channel,identifier,data,checksum\n" + rows * times)
    expected = [
        (0x21, Flag.LIN),
        (0x21, Flag.LIN),
        (0x21, Flag.LIN | (Flag(0) if protect(0x21) == 0xE1 else Flag.ERROR | Flag.BAD_PARITY)),
        (0x21, Flag(0)),
    ]
    assert [frame[2:4] for frame in log.frames] == expected * times
    assert log.checksums == [0x7F, 0x7F, -1, -1] * times


@pytest.mark.parametrize(
    ("row", "what"),
    [
        (b"garbage", "columns_differ"),
        (b"nan,can0,123,11", "time_unreadable"),
        (b"inf,can0,123,11", "time_unreadable"),
        (b"-1.0,can0,123,11", "time_out_of_range"),
        (b"1e30,can0,123,11", "time_out_of_range"),
        (b"99999999999.0,can0,123,11", "time_out_of_range"),
        (b"1.0,can0,FFFFFFFF,11", "identifier_out_of_range"),
        (b"1.0,can0,xyz,11", "identifier_unreadable"),
        (b"1.0,can0,123,112", "data_unreadable"),
        (b"1.0,can0,123,1G", "data_unreadable"),
        (b"1.0,can0,123," + b"00" * 65, "length_differs"),
        (b"1.0,can0,123", "columns_differ"),
        (b'1.0,"can0,123,11', "columns_differ"),
        (b"1.0,can0,123,11,12", "columns_differ"),
        (b"\xff\xfe,can0,123,11", "time_unreadable"),
    ],
)
def test_damage_is_counted_with_its_line_and_nothing_around_it_is_lost(
    read_bytes: Reader, row: bytes, what: str
) -> None:
    log = read_bytes(HEAD + ROW * 40 + row + b"\n" + ROW)
    assert log.frames == [FRAME] * 41
    assert log.places == [("line 42", what)]


def test_a_cut_last_row_is_counted(read_bytes: Reader) -> None:
    log = read_bytes(HEAD + ROW + ROW[:-12])
    assert (log.frames, log.places) == ([FRAME], [("line 3", "cut_off")])


@pytest.mark.parametrize("times", [1, 50])
def test_hexadecimal_data_are_not_taken_for_base64(read_bytes: Reader, times: int) -> None:
    # "11223344AABBCCDD" is valid base64 of twelve bytes; the length says eight.
    log = read_bytes(OWN + b"1436509052.249713,0x123,0,0,0,8,11223344AABBCCDD\n" * times)
    assert log.data == [bytes.fromhex("11223344AABBCCDD")] * times


@pytest.mark.parametrize("times", [1, 50])
def test_a_table_without_headings_keeps_its_first_row(read_bytes: Reader, times: int) -> None:
    log = read_bytes(b"1436509052.249713,0x123,0,0,0,4,ESKquw==\n" * times)
    assert log.frames == [(START, "", 0x123, Flag(0), bytes.fromhex("1122AABB"))] * times


def test_comments_above_the_headings_are_skipped(read_bytes: Reader) -> None:
    log = read_bytes(b"\xef\xbb\xbf# logger\n# unit 3\n" + HEAD + ROW)
    assert (log.frames, log.report.skipped) == ([FRAME], {"comment": 2})


def test_headings_of_an_appended_table_are_no_damage(read_bytes: Reader) -> None:
    log = read_bytes((HEAD + ROW) * 2)
    assert (log.frames, log.report.skipped, log.report.dropped) == ([FRAME] * 2, {"heading": 1}, {})


def test_columns_can_be_named(read_bytes: Reader) -> None:
    named = {"time": "When", "identifier": "What", "data": "Content"}
    log = read_bytes(b"When,What,Content\n1436509052.249713,123,1122AABB\n", options=ReadOptions(csv_columns=named))
    assert log.frames == [(START, "", *FRAME[2:])]


def test_a_name_that_is_not_there_is_an_error(read_bytes: Reader) -> None:
    with pytest.raises(UsageError, match="no column"):
        read_bytes(HEAD + ROW, options=ReadOptions(csv_columns={"time": "When"}))
    with pytest.raises(UsageError, match="cannot hold"):
        read_bytes(HEAD + ROW, options=ReadOptions(csv_columns={"colour": "time"}))


def test_a_table_of_something_else_is_refused(read_bytes: Reader) -> None:
    with pytest.raises(LogError):
        read_bytes(b"name,age\nx,1\n", name="x.csv")


def test_identifiers_without_a_letter_are_hexadecimal_and_it_is_said(read_bytes: Reader) -> None:
    log = read_bytes(HEAD + ROW)
    assert any("hexadecimal" in note for note in log.report.notes)


def test_finding_a_layout_stays_quick_on_bait() -> None:
    assert find_layout("[" * 4000 + "," + "(" * 90) is None
    assert find_layout("time," * 2000) is None


@pytest.mark.parametrize(
    "text", ["0", "0.5", "12", "1436509052.2497132", "123456789012.123456789", "0.000000001", "1e-05"]
)
def test_times_are_exact(read_bytes: Reader, text: str) -> None:
    whole = [HEAD + f"{text},can0,123,11\n".encode() * times for times in (1, 50)]
    times = [read_bytes(content).times for content in whole]
    expected = {"0": 0, "0.5": 500_000_000, "12": 12 * 10**9, "1436509052.2497132": 1_436_509_052_249_713_200,
                "123456789012.123456789": 123_456_789_012_123_456, "0.000000001": 1, "1e-05": 10_000}[text]  # fmt: skip
    if text.startswith("1234"):  # so large a number can only be milliseconds
        expected = 123_456_789_012_123_456
    assert times == [[expected], [expected] * 50]


messages = st.builds(
    can.Message,
    timestamp=st.floats(0, 2e9, allow_nan=False),
    is_extended_id=st.just(True),
    arbitration_id=st.integers(0, 0x1FFFFFFF),
    data=st.binary(max_size=8),
) | st.builds(
    can.Message,
    timestamp=st.integers(0, 2_000_000_000_000_000).map(lambda us: us / 1e6),
    is_extended_id=st.just(False),
    arbitration_id=st.integers(0, 0x7FF),
    data=st.binary(max_size=8),
    is_error_frame=st.booleans(),
)


class _Text(io.StringIO):
    """A file that keeps its text after the writer has closed it."""

    def close(self) -> None:
        """Stay open."""


@settings(max_examples=80, deadline=None)
@given(st.lists(messages, min_size=1, max_size=60), st.integers(8192, 9000))
def test_what_python_can_writes_reads_back_equal(read_bytes: Reader, sent: list[can.Message], buffer: int) -> None:
    text = _Text()
    writer = can.CSVWriter(text)
    for message in sent:
        writer.on_message_received(message)
    content = text.getvalue().encode()
    log = read_bytes(content, name="x.csv")
    assert log.frames == read_bytes(content, name="x.csv", options=ReadOptions(buffer_bytes=buffer)).frames
    assert not log.report.dropped
    for message, (time_ns, _, identifier, flags, data) in zip(sent, log.frames, strict=True):
        assert time_ns == pytest.approx(message.timestamp * 1e9, abs=256)  # float resolution of a date in nanoseconds
        assert identifier == message.arbitration_id
        assert bool(flags & Flag.EXTENDED) == message.is_extended_id
        assert bool(flags & Flag.ERROR) == message.is_error_frame
        assert data == (b"" if message.is_error_frame else bytes(message.data))


@settings(max_examples=150, deadline=None)
@given(st.lists(st.binary(max_size=60) | st.sampled_from([ROW[:-1], ROW[:-9], HEAD[:-1], b'"', b",,,"]), max_size=40))
def test_no_bytes_break_the_reader_or_lose_a_good_row(read_bytes: Reader, pieces: list[bytes]) -> None:
    content = HEAD + ROW + b"\n".join(pieces) + b"\n" + ROW
    log = read_bytes(content, options=ReadOptions(format="csv"))
    assert log.frames.count(FRAME) >= sum(line + b"\n" == ROW for line in content.split(b"\n"))
