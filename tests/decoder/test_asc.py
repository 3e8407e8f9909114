"""ASC logs. Expected values: by hand from the line, or python-can where a test says so."""

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
from decoder.logs.asc_date import parse_date

Reader = Callable[..., Any]
HEAD = b"date Fri Jul 10 06:17:32.249 am 2015\nbase hex  timestamps absolute\ninternal events logged\n"
START = 1_436_509_052_249_000_000  # 2015-07-10 06:17:32.249 UTC, by hand
LINE = b"   0.019968 1  64              Rx   d 4 64 00 00 00  Length = 0 BitCount = 0 ID = 100\n"
LATER = b"   9.500000 2  65              Rx   d 1 07\n"


def test_a_line_is_read_exactly(read_bytes: Reader) -> None:
    log = read_bytes(HEAD + LINE)
    assert log.format == "asc"
    assert log.frames == [(START + 19_968_000, "1", 0x64, Flag(0), bytes.fromhex("64000000"))]
    assert any("local time" in note for note in log.report.notes)


@pytest.mark.parametrize("align", ["<", ">"])
@pytest.mark.parametrize("width", [4, 10, 12])
def test_identifiers_may_stand_left_or_right_in_their_field(read_bytes: Reader, align: str, width: int) -> None:
    names = ["5", "7E0", "1x", "64", "7FFx", "123", "1FFFFFFx", "18FEF100x", "CF00400x"] * 20
    lines, wanted = [], []
    for at, name in enumerate(names):
        data = bytes(range(at, at + at % 9))
        lines.append(f"{at:4d}.500000 1 {name:{align}{width}}  Rx   d {len(data)} {data.hex(' ')}".rstrip() + "\n")
        flag = Flag.EXTENDED if name[-1] == "x" else Flag(0)
        wanted.append((int(name.rstrip("x"), 16), flag, data))
    log = read_bytes(HEAD + "".join(lines).encode())
    assert [frame[2:] for frame in log.frames] == wanted
    assert not log.report.dropped


@pytest.mark.parametrize("bad", ["1 FF  Rx d 8 00 01 02 03 04 05 06", "1 FF  Rx d 8 00 01 02 03 04 05 06 070"])
def test_data_of_another_width_among_regular_lines_are_no_frame(read_bytes: Reader, bad: str) -> None:
    good = "   0.500000 1 64  Rx d 8 00 01 02 03 04 05 06 07\n"
    log = read_bytes(HEAD + (good * 40 + f"   0.500000 {bad}\n" + good * 40).encode())
    assert (len(log.frames), sum(log.report.dropped.values())) == (80, 1)


@pytest.mark.parametrize(
    ("line", "frame"),
    [
        ("1  18EBFF00x       Rx   d 8 01 02 03 04 05 06 07 08", (0x18EBFF00, Flag.EXTENDED, "0102030405060708")),
        ("1  18EBFF00x       Rx d 8 01 02 03 04 05 06 07 08    Length = 1", (0x18EBFF00, Flag.EXTENDED, "0102030405060708")),
        ("1  1x              Tx   d 2 01 02", (1, Flag.EXTENDED | Flag.TRANSMIT, "0102")),
        ("1  7FF             Rx   d 0", (0x7FF, Flag(0), "")),
        ("1  7FF             Rx   d 0  Length = 0 BitCount = 0 ID = 2047", (0x7FF, Flag(0), "")),
        # A length code over 8 means eight bytes in a classic frame: ISO 11898-1
        ("1  7FF             Rx   d f 01 02 03 04 05 06 07 08", (0x7FF, Flag(0), "0102030405060708")),
        ("2 100 Tx r", (0x100, Flag.REMOTE | Flag.TRANSMIT, "")),
        ("4 300 Tx r 8 Length = 1704000 BitCount = 145 ID = 88888888x", (0x300, Flag.REMOTE | Flag.TRANSMIT, "")),
        ("1  EngineData      Rx   d 2 01 02  Length = 0 BitCount = 0 ID = 291", (291, Flag(0), "0102")),
        ("1  EngineData      Rx   d 2 01 02  Length = 0 BitCount = 0 ID = 418119424x", (418119424, Flag.EXTENDED, "0102")),
        ("1 ErrorFrame", (0, Flag.ERROR, "")),
        ("2 ErrorFrame Flags = 0xe CodeExt = 0x20a2 Code = 0x82 ID = 0 DLC = 0 Position = 5 Length = 11300", (0, Flag.ERROR, "")),
        ("CANFD   5 Tx ErrorFrame Not Acknowledge error, dominant error flag fffe c7 31ca Arb. 556 44", (0, Flag.ERROR, "")),
        (
            "CANFD   1 Rx        300                                   1 0 8  8 11 c2 03 04 05 06 07 08   102203  133   303000 e0006659 46500250",
            (0x300, Flag.FD | Flag.BIT_RATE_SWITCH, "11c2030405060708"),
        ),
        (
            "CANFD   3 Rx        30a  Generic_Name_12                  1 1 9 12 01 02 03 04 05 06 07 08 09 0a 0b 0c   102203  133   307000 e0006659",
            (0x30A, Flag.FD | Flag.BIT_RATE_SWITCH | Flag.ERROR_STATE, "0102030405060708090a0b0c"),
        ),
        (
            "CANFD   2 Tx        1C4D80A7x                                   0 0 2  2 11 c2   102203  133   300000 e0006659",
            (0x1C4D80A7, Flag.EXTENDED | Flag.TRANSMIT, "11c2"),
        ),
        ("CANFD   3 Tx     50005x     0 0 5 0 140000 73 200050 7a60 46500250 460a0250", (0x50005, Flag.EXTENDED | Flag.TRANSMIT | Flag.REMOTE, "")),
    ],
)  # fmt: skip
def test_each_kind_of_frame_is_read_alone_and_among_others(
    read_bytes: Reader, line: str, frame: tuple[int, Flag, str]
) -> None:
    text = b"   1.500000 " + line.encode() + b"\n"
    expected = [(frame[0], frame[1], bytes.fromhex(frame[2]))]
    assert [(f[2], f[3], f[4]) for f in read_bytes(HEAD + text).frames] == expected
    among = read_bytes(HEAD + LINE * 40 + text.replace(b"\n", b"\r\n") + LATER)
    assert [(f[2], f[3], f[4]) for f in among.frames[40:41]] == expected
    assert (len(among.frames), among.report.dropped) == (42, {})


@pytest.mark.parametrize(
    ("line", "flags", "data", "checksum"),
    [
        ("Li 2d Tx 8 00 f0 f0 ff ff ff ff ff checksum = 70 header time = 40, full time = 130 SOF = 0.067195 BR = 19230 CSM = enhanced",
         Flag.LIN | Flag.TRANSMIT, "00f0f0ffffffffff", 70),
        ("Li 2d Rx 8 00 f0 f0 ff ff ff ff ff  (slave = 0, state = 0)  checksum = 70 header time = 40, full time = 130",
         Flag.LIN, "00f0f0ffffffffff", 70),
        ("L2 2d Rx 2 00 f0 checksum = 255", Flag.LIN, "00f0", 255),
        ("L2 AD Rx 2 00 f0 checksum = 255", Flag.LIN, "00f0", 255),  # protected: P0 = 0, P1 = 1 by hand
        ("L2 6D Rx 2 00 f0 checksum = 255", Flag.LIN | Flag.ERROR | Flag.BAD_PARITY, "00f0", 255),
        ("Li 2d CSErr Rx 2 00 f0 checksum = 1 header time = 40, full time = 130", Flag.LIN | Flag.ERROR | Flag.BAD_CHECKSUM, "00f0", 1),
        ("Li 2d TransmErr header time = 40, full time = 40 SOF = 0.067195 BR = 19230", Flag.LIN | Flag.ERROR | Flag.NO_RESPONSE, "", -1),
    ],
)  # fmt: skip
def test_lin_events_are_frames(read_bytes: Reader, line: str, flags: Flag, data: str, checksum: int) -> None:
    log = read_bytes(HEAD + b"   0.073973 " + line.encode() + b"\n" + LINE)
    assert log.frames[0] == (START + 73_973_000, line[:2], 0x2D, flags, bytes.fromhex(data))
    assert log.checksums[0] == checksum


def test_lin_frames_in_bulk_read_as_they_do_alone(read_bytes: Reader) -> None:
    lines = [
        b"   0.073973 Li 2d Tx 8 00 f0 f0 ff ff ff ff ff checksum = 70 header time = 40, full time = 130 CSM = enhanced\n",
        b"   0.073973 L2 AD Rx 2 00 f0 checksum = 255\n",
        b"   0.073973 L2 6D Rx 1 00 checksum = 9 header time = 40\n",
        b"   0.073973 L2 2d Rx 1 00 checksum = 256 header time = 40\n",
        b"   0.073973 L2 2d Rx 1 00 checksum = x\n",
        b"   0.073973 L2 3 Rx 0 checksum = 255\n",
        b"   0.073973 L2 3 Rx 2 00 1 checksum = 255\n",
        b"   0.073973 L2 3 Rx 2 00 checksum = 255\n",
    ]
    alone = [frame for line in lines for frame in read_bytes(HEAD + line).frames]
    sums = [value for line in lines for value in read_bytes(HEAD + line).checksums]
    bulk = read_bytes(HEAD + b"".join(lines) * 50)
    assert bulk.frames == alone * 50
    assert bulk.checksums == sums * 50 == [70, 255, 9, -1, -1, 255, 255] * 50
    assert bulk.report.dropped == {"data_unreadable": 50}


def test_other_lin_events_are_skipped(read_bytes: Reader) -> None:
    log = read_bytes(
        HEAD
        + b"0.1 Li SleepModeEvent 1 Short\n0.2 L2 WakeupFrame 0 signal = 0x11\n0.3 Li SchedModChng prior=0\n"
        + LINE
    )
    assert (log.report.skipped, len(log.frames)) == ({"lin_event": 3}, 1)


@pytest.mark.parametrize(
    ("line", "what"),
    [
        (b"garbage \x00\xff", "not_a_frame"),
        (b"   1.000000 1  64              Rx   d 4 64 00 0", "length_differs"),
        (b"   1.000000 1  64              Rx   d 4 64 00 00 0G", "data_unreadable"),
        (b"   1.000000 1  64              Rx   d 4 64 00 00 112", "data_unreadable"),
        (b"   1.000000 1  800             Rx   d 1 64", "identifier_out_of_range"),
        (b"   1.000000 1  EngineData      Rx   d 1 64", "symbolic_name"),
        (b"  -1.000000 1  64              Rx   d 1 64", "time_out_of_range"),
        (b"        nan 1  64              Rx   d 1 64", "not_a_frame"),
        (b"   1.000000 1  M\xe4rz            Rx   d 1 64", "symbolic_name"),
        (b"   1.000000 CANFD   1 Rx  300  1 0 8  8 11 c2", "length_differs"),
        (b"999999999999.000000 1  64              Rx   d 1 64", "time_out_of_range"),
    ],
)
def test_damage_is_counted_with_its_line_and_nothing_around_it_is_lost(
    read_bytes: Reader, line: bytes, what: str
) -> None:
    log = read_bytes(HEAD + LINE * 40 + line + b"\n" + LATER)
    assert log.identifiers == [0x64] * 40 + [0x65]
    assert log.places == [("line 44", what)]


def test_a_cut_last_line_is_counted(read_bytes: Reader) -> None:
    log = read_bytes(HEAD + LINE * 3 + LINE[:46])
    assert (len(log.frames), log.places) == (3, [("line 7", "cut_off")])


def test_events_without_frames_are_skipped_by_kind(read_bytes: Reader) -> None:
    log = read_bytes(
        HEAD
        + b"// version 9.0.0\n"
        + b"   0.000000 Start of measurement\n"
        + b"   0.015991 CAN 1 Status:chip status error passive - TxErr: 132 RxErr: 0\n"
        + b"   1.015991 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%\n"
        + b"   3.297743 1  J1939TP FEE3p  6  0  0   -   Rx   d 23 A0 0F A6\n"
        + b"   3.3 1 64 TxRq d 1 00\n"
        + LINE
    )
    kinds = ["comment", "other_event", "status", "statistic", "j1939_transport", "transmit_request"]
    assert log.report.skipped == dict.fromkeys(kinds, 1)
    assert not log.report.dropped
    assert len(log.frames) == 1


def test_header_lines_may_be_missing(read_bytes: Reader) -> None:
    for head in (b"", HEAD.split(b"internal")[0], b"base hex timestamps absolute\n"):
        log = read_bytes(head + LINE + LATER)
        assert log.identifiers == [0x64, 0x65]
        assert log.times[1] - log.times[0] == 9_500_000_000 - 19_968_000
        assert (log.times[0] > START) == (b"date" in head)


def test_decimal_base_holds_for_identifiers_and_data(read_bytes: Reader) -> None:
    head = HEAD.replace(b"base hex", b"base dec")
    log = read_bytes(head + b"   0.1 1  100  Rx   d 3 255 0 12\n   0.2 1  418119424x  Rx   d 1 7\n")
    assert [frame[2:] for frame in log.frames] == [
        (100, Flag(0), bytes([255, 0, 12])),
        (418119424, Flag.EXTENDED, bytes([7])),
    ]


def test_decimal_comma_is_read(read_bytes: Reader) -> None:
    log = read_bytes((HEAD + (LINE + LATER) * 40).replace(b".019968", b",019968").replace(b"9.5", b"9,5"))
    assert log.times[:2] == [START + 19_968_000, START + 9_500_000_000]
    assert len(log.frames) == 80


def test_relative_times_are_added_up_over_all_events(read_bytes: Reader) -> None:
    head = HEAD.replace(b"absolute", b"relative")
    statistic = b"   1.000000 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%\n"
    step = b"   0.010000 1  64              Rx   d 1 64\n"
    log = read_bytes(head + step * 40 + statistic + step * 40, options=ReadOptions(buffer_bytes=8192))
    expected = [START + 10_000_000 * n + (10**9 if n > 40 else 0) for n in range(1, 81)]
    assert log.times == expected
    assert any("added up" in note for note in log.report.notes)


def test_trigger_blocks_do_not_overlap(read_bytes: Reader) -> None:
    block = b"Begin Triggerblock Fri Jul 10 06:%s:00.000 am 2015\n"
    event = b"   %s 1  64              Rx   d 1 64\n"
    # Times that begin anew with each block.
    anew = HEAD + block % b"18" + event % b"0.000000" + event % b"5.000000" + b"End TriggerBlock\n"
    anew += block % b"19" + event % b"0.000000" + event % b"5.000000" + b"End TriggerBlock\n"
    minute = 60 * 10**9
    first = START - 32_249_000_000 + minute  # 06:18:00
    assert read_bytes(anew).times == [first, first + 5 * 10**9, first + minute, first + minute + 5 * 10**9]
    # Times that count on from the start of measurement, 06:17:32.249.
    on = HEAD + block % b"18" + event % b"27.751000" + event % b"30.000000" + b"End TriggerBlock\n"
    on += block % b"19" + event % b"87.751000" + b"End TriggerBlock\n"
    assert read_bytes(on).times == [first, START + 30 * 10**9, first + minute]


def test_blocks_without_dates_that_begin_anew_are_set_behind_one_another(read_bytes: Reader) -> None:
    block = b"Begin Triggerblock\n" + LINE + LATER + b"End TriggerBlock\n"
    log = read_bytes(b"base hex timestamps absolute\n" + block + block)
    assert log.times == sorted(log.times)
    assert log.times[2] == 9_500_000_000 + 19_968_000
    assert any("trigger block" in note for note in log.report.notes)


def test_latin_1_and_byte_order_mark_are_read(read_bytes: Reader) -> None:
    german = "date Die Mär 3 06:17:32.249 2015\n"
    for head in (german.encode("latin-1"), b"\xef\xbb\xbf" + german.encode()):
        log = read_bytes(head + b"base hex timestamps absolute\n" + LINE)
        assert log.times == [parse_date("Tue Mar 3 06:17:32.249 2015") + 19_968_000]  # type: ignore[operator]


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("Sam Sep 30 15:06:13.191 2017", 1_506_783_973.191),  # date -u -d '2017-09-30 15:06:13' +%s
        ("Sat Sep 30 03:06:13.191 PM 2017", 1_506_783_973.191),
        ("Sat Sep 30 03:06:13.191 pm 2017", 1_506_783_973.191),
        ("Sat Sep 30 12:06:13 am 2017", 1_506_729_973.0),
        ("Sat Sep 30 12:06:13 pm 2017", 1_506_773_173.0),
        ("Don Dez 28 10:00:00 2017", 1_514_455_200.0),
        ("Mon Okt 2 10:00:00 2017", 1_506_938_400.0),
        ("Mit Mai 3 10:00:00 2017", 1_493_805_600.0),
        ("Fre Mrz 3 10:00:00 2017", 1_488_535_200.0),
        ("Sonntag Januar 1 10:00:00 2017", 1_483_264_800.0),
        ("Xxx Yyy 1 10:00:00 2017", None),
        ("Mon Feb 30 10:00:00 2017", None),
        ("", None),
    ],
)
def test_dates_in_english_and_german_and_both_clocks(text: str, seconds: float | None) -> None:
    expected = None if seconds is None else round(seconds * 1000) * 10**6
    assert parse_date(text) == expected


def test_an_unreadable_date_is_said_and_not_taken_as_1970(read_bytes: Reader) -> None:
    log = read_bytes(b"date Xxx Yyy 10 06:17:32 2015\nbase hex timestamps absolute\n" + LINE)
    assert log.times == [19_968_000]
    assert any("cannot be read" in note for note in log.report.notes)


FILES = [
    "issue_1256.asc",
    "logfile.asc",
    "test_CanErrorFrames.asc",
    "test_CanFdMessage.asc",
    "test_CanMessage.asc",
    "test_CanMessage.asc.gz",
]


@pytest.mark.parametrize("name", FILES)
def test_real_logs_agree_with_python_can(external_logs: Path, read_file: Reader, name: str) -> None:
    path = external_logs / "python-can" / name
    log = read_file(path)
    assert not log.report.dropped
    expected = list(can.LogReader(str(path)))
    # python-can reads no LIN and takes an FD frame of no data as remote; none of these files has either.
    assert len(log.frames) == len(expected)
    for message, (time_ns, channel, identifier, flags, data) in zip(expected, log.frames, strict=True):
        assert bool(flags & Flag.ERROR) == message.is_error_frame
        assert bool(flags & Flag.REMOTE) == message.is_remote_frame
        assert bool(flags & Flag.TRANSMIT) != message.is_rx or message.is_error_frame
        if not message.is_error_frame:
            assert (identifier, data) == (message.arbitration_id, bytes(message.data))
            assert bool(flags & Flag.EXTENDED) == message.is_extended_id
            assert (time_ns - log.times[0]) / 1e9 == pytest.approx(message.timestamp - expected[0].timestamp, abs=1e-6)
            assert int(channel) - 1 == message.channel


@settings(max_examples=200, deadline=None)
@given(st.lists(st.binary(max_size=60) | st.sampled_from([LINE[:-1], LATER[:-1], LINE[:40], b"base hex"]), max_size=30))
def test_no_bytes_break_the_reader_or_lose_a_good_line(read_bytes: Reader, pieces: list[bytes]) -> None:
    content = HEAD + LINE + b"\n".join(pieces) + b"\n" + LATER
    log = read_bytes(content, options=ReadOptions(format="asc"))
    good = sum(line + b"\n" in {LINE, LATER} for line in content.split(b"\n"))
    assert len(log.frames) >= good
    assert (log.identifiers[0], log.identifiers[-1]) == (0x64, 0x65)
