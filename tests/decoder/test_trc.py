"""TRC logs. Expected values: by hand from the line, or python-can where a test says so."""

# ruff: noqa: E501  # lines of logs are quoted whole
from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.frames import Flag
from decoder.logs import ReadOptions

Reader = Callable[..., Any]
V1_1 = b";$FILEVERSION=1.1\n;$STARTTIME=44548.6028595139\n;\n"
V2_1 = b";$FILEVERSION=2.1\n;$STARTTIME=44548.6028595139\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n;\n"
# 44548 - 25569 = 18979 days since 1970; 0.6028595139 d = 52087.06200096 s, by hand.
START = 18_979 * 86_400 * 10**9 + 52_087_062_000_960
LINE = b"      1     17535.400 DT 1  00000100 Tx -  8    00 01 02 03 04 05 06 07\n"
LATER = b"      2     17540.300 DT 2      0704 Rx -  1    09\n"
FIRST = (START + 17_535_400_000, "1", 0x100, Flag.EXTENDED | Flag.TRANSMIT, bytes(range(8)))
SECOND = (START + 17_540_300_000, "2", 0x704, Flag(0), b"\x09")


def test_a_line_is_read_exactly(read_bytes: Reader) -> None:
    log = read_bytes(V2_1 + LINE + LATER)
    assert log.format == "trc"
    assert log.frames == [FIRST, SECOND]
    assert any("local time" in note for note in log.report.notes)


@pytest.mark.parametrize(
    ("head", "line", "frame"),
    [
        (b"", b"     1)      1841    0001  8  00 01 02 03 04 05 06 07\n", (1_841_000_000, "1", 1, 0)),
        (b"", b"     1)      1841.4  00000001  8  00 01 02 03 04 05 06 07\n", (1_841_400_000, "1", 1, 1)),
        (V1_1, b"     1)     17535.4  Tx     00000100  8  00 01 02 03 04 05 06 07 \n", (START + 17_535_400_000, "1", 0x100, 257)),
        (V1_1.replace(b"1.1", b"1.2"), b"     1)     17535.403 2  Rx     0100 8  00 01 02 03 04 05 06 07 \n", (START + 17_535_403_000, "2", 0x100, 0)),
        (V1_1.replace(b"1.1", b"1.3"), b"     1)     17535.403 2  Rx        0100 -  8    00 01 02 03 04 05 06 07 \n", (START + 17_535_403_000, "2", 0x100, 0)),
        (
            b";$FILEVERSION=2.0\n;$STARTTIME=44548.6028595139\n;$COLUMNS=N,O,T,I,d,l,D\n",
            b"      1      1059.900 DT     0300 Rx 8  00 01 02 03 04 05 06 07\n",
            (START + 1_059_900_000, "1", 0x300, 0),
        ),
    ],
)  # fmt: skip
def test_every_version_is_read_alone_and_in_bulk(
    read_bytes: Reader, head: bytes, line: bytes, frame: tuple[int, str, int, int]
) -> None:
    expected = (*frame[:3], Flag(frame[3]), bytes(range(8)))
    for times in (1, 100):
        log = read_bytes(head + line * times, name="x.trc")
        assert log.frames == [expected] * times
        assert not log.report.dropped


@pytest.mark.parametrize(
    ("line", "frame"),
    [
        (b"      3     17540.300 RR 1      0704 Rx -  1\n", (0x704, Flag.REMOTE, b"")),
        (b"      3     17540.300 FD 1      0704 Rx -  9    00 01 02 03 04 05 06 07 08 09 0A 0B\n", (0x704, Flag.FD, bytes(range(12)))),
        (b"      3     17540.300 FB 1      0704 Rx -  15   " + b"07 " * 64 + b"\n", (0x704, Flag.FD | Flag.BIT_RATE_SWITCH, b"\x07" * 64)),
        (b"      3     17540.300 FE 1      0704 Rx -  1    07\n", (0x704, Flag.FD | Flag.BIT_RATE_SWITCH | Flag.ERROR_STATE, b"\x07")),
        (b"      3     17540.300 BI 1      0704 Rx -  1    07\n", (0x704, Flag.FD | Flag.ERROR_STATE, b"\x07")),
        (b"      3     17540.300 DT 1      0704 Rx -  0    \n", (0x704, Flag(0), b"")),
        (b"      3     17540.300 DT 1      0704 Rx -  15   00 01 02 03 04 05 06 07\n", (0x704, Flag(0), bytes(range(8)))),
        (b"      3     17540.300 ER 1         - Rx -  5    04 00 02 00 00\n", (0, Flag.ERROR, b"")),
    ],
)  # fmt: skip
def test_each_kind_of_record_is_kept_apart(read_bytes: Reader, line: bytes, frame: tuple[int, Flag, bytes]) -> None:
    log = read_bytes(V2_1 + LINE * 40 + line + LATER)
    assert log.frames[40][2:] == frame
    assert (len(log.frames), log.report.dropped) == (42, {})


def test_records_that_hold_no_frame_are_skipped_by_kind(read_bytes: Reader) -> None:
    status = b"      2     17540.300 ST 1         - Rx -  4    00 00 00 08\n"
    log = read_bytes(V2_1 + LINE + status + status.replace(b"ST", b"EC") + status.replace(b"ST", b"EV") + LATER)
    assert log.frames == [FIRST, SECOND]
    assert log.report.skipped == {"status": 1, "error_counters": 1, "other_event": 1}
    log = read_bytes(
        V1_1
        + b"     2)     17540.3  Warng  FFFFFFFF  4  00 00 00 08  BUSHEAVY \n     3) 5.0 Error 0002 4 00 01 02 03\n"
    )
    assert (log.report.skipped, log.flags) == ({"status": 1}, [Flag.ERROR])


@pytest.mark.parametrize(
    ("line", "what"),
    [
        (b"garbage\xff\x00", "not_a_frame"),
        (b"      3           nan DT 1      0704 Rx -  1    09", "time_unreadable"),
        (b"      3       -40.300 DT 1      0704 Rx -  1    09", "time_out_of_range"),
        (b"      3     17540.300 DT 1      0804 Rx -  1    09", "identifier_out_of_range"),
        (b"      3     17540.300 DT 1  FF000704 Rx -  1    09", "identifier_out_of_range"),
        (b"      3     17540.300 DT 1      0704 Rx -  2    09", "length_differs"),
        (b"      3     17540.300 DT 1      0704 Rx -  1    091", "data_not_hexadecimal"),
        (b"      3     17540.300 DT 1      0704 Rx -  1    G1", "data_not_hexadecimal"),
        (b"      3     17540.300 QQ 1      0704 Rx -  1    11", "not_a_frame"),
        (b"      3     17540.300 DT 1      07", "not_a_frame"),
    ],
)
def test_damage_is_counted_with_its_line_and_nothing_around_it_is_lost(
    read_bytes: Reader, line: bytes, what: str
) -> None:
    log = read_bytes(V2_1 + LINE * 40 + line + b"\n" + LATER)
    assert log.frames == [FIRST] * 40 + [SECOND]
    assert log.places == [("line 45", what)]


def test_a_cut_last_line_is_counted(read_bytes: Reader) -> None:
    log = read_bytes(V2_1 + LINE + LINE[:-4])
    assert (log.frames, log.places) == ([FIRST], [("line 6", "cut_off")])


def test_a_start_for_people_is_read_where_there_is_no_other(read_bytes: Reader) -> None:
    text = b";   Start time: 18.12.2021 14:28:07.062.0\n     1)      1000.0  0001  1  07\n"
    assert read_bytes(text, name="x.trc").times == [START - 960 + 10**9]


def test_an_unreadable_start_is_said(read_bytes: Reader) -> None:
    for value in (b"nan", b"1e999", b"-5", b"x"):
        log = read_bytes(V2_1.replace(b"44548.6028595139", value) + LINE)
        assert log.times == [17_535_400_000]
        assert any("cannot be read" in note for note in log.report.notes)


@pytest.mark.parametrize("name", ["test_CanMessage_V1_1.trc", "test_CanMessage_V2_1.trc"])
def test_real_logs_agree_with_python_can(external_logs: Path, read_file: Reader, name: str) -> None:
    path = external_logs / "python-can" / name
    log = read_file(path)
    expected = list(can.TRCReader(str(path)))
    assert len(log.frames) == len(expected)
    for message, (time_ns, channel, identifier, flags, data) in zip(expected, log.frames, strict=True):
        assert time_ns / 1e9 == pytest.approx(message.timestamp, abs=2e-6)
        assert (channel, identifier, data) == (str(message.channel), message.arbitration_id, bytes(message.data))
        assert bool(flags & Flag.EXTENDED) == message.is_extended_id
        assert bool(flags & Flag.REMOTE) == message.is_remote_frame
        assert bool(flags & Flag.TRANSMIT) != message.is_rx


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.binary(max_size=60) | st.sampled_from([LINE[:-1], LATER[:-1], LINE[:40], b";$COLUMNS=O,I"]), max_size=30
    )
)
def test_no_bytes_break_the_reader(read_bytes: Reader, pieces: list[bytes]) -> None:
    log = read_bytes(V2_1 + LINE + b"\n".join(pieces) + b"\n", options=ReadOptions(format="trc"))
    assert log.frames[0] == FIRST


@pytest.mark.parametrize(
    ("tail", "dropped", "flag"), [(b"1  00 11", "length_differs", None), (b"0  RTR", "", Flag.REMOTE)]
)
def test_what_follows_the_data_of_many_like_lines_counts(
    read_bytes: Reader, tail: bytes, dropped: str, flag: Flag | None
) -> None:
    regular = b"     1)     17535.4  Rx         0100  2  00 01\n"
    log = read_bytes(V1_1 + regular * 100 + regular[:-9] + tail + b"\n", name="x.trc")
    assert log.flags == [Flag(0)] * 100 + ([] if flag is None else [flag])
    assert log.report.dropped == ({dropped: 1} if dropped else {})
