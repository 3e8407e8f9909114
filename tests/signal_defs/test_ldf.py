"""LDF: equal to ldfparser where that reads the file; what it refuses is read all the same."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any

import ldfparser
import pytest

import signal_defs
from signal_defs.databases import read_database, read_database_bytes
from signal_defs.databases.ldf import legacy_length, protected
from signal_defs.errors import DefinitionError
from signal_defs.layout import MessageLayout, SignalLayout

SHIPPED = Path(signal_defs.__file__).parent / "platforms"


def _assert_same_signal(ours: SignalLayout, start: int, theirs: Any) -> None:
    assert (ours.name, ours.start, ours.length) == (theirs.name, start, theirs.width)
    assert ours.is_bytes == theirs.is_array()
    assert ours.byte_order == "little"
    assert not ours.signed
    converters = theirs.encoding_type.get_converters() if theirs.encoding_type else []
    logical = {c.phy_value: c.info or str(c.phy_value) for c in converters if type(c).__name__ == "LogicalValue"}
    assert ours.choices == logical
    physical = [c for c in converters if type(c).__name__ == "PhysicalValue"]
    if physical:
        widest = max(physical, key=lambda c: c.phy_max - c.phy_min)
        assert (ours.scale, ours.offset, ours.unit) == (widest.scale, widest.offset, widest.unit or "")


def test_every_external_ldf_equals_ldfparser_in_every_field(external_logs: Path) -> None:
    files = sorted(external_logs.rglob("*.ldf"))
    assert len(files) >= 6
    for path in files:
        theirs = ldfparser.parse_ldf(str(path))
        ours = {message.name: message for message in read_database(path, "lin")}
        frames = [*theirs.get_unconditional_frames(), *theirs.get_diagnostic_frames()]
        events = list(theirs.get_event_triggered_frames())
        assert set(ours) == {frame.name for frame in (*frames, *events)}, path.name
        for frame in (*frames, *events):
            assert ours[frame.name].identifier == frame.frame_id & 0x3F
        for frame in frames:
            assert ours[frame.name].length == frame.length
            assert len(ours[frame.name].signals) == len(frame.signal_map)
            for signal, (start, other) in zip(ours[frame.name].signals, frame.signal_map, strict=True):
                _assert_same_signal(signal, start, other)


def test_an_event_triggered_frame_carries_the_signals_of_those_it_stands_for(external_logs: Path) -> None:
    # source: lin22.ldf, the example of LIN 2.2A: Node_Status_Event 0x06 stands for RSM_Frm1 (0x04) and LSM_Frm1 (0x02)
    by_name = {message.name: message for message in read_database(external_logs / "ldfparser" / "lin22.ldf", "lin")}
    event = by_name["Node_Status_Event"]
    assert event.identifier == 0x06
    assert event.signals[0].is_multiplexer
    selected = {s.name: s.multiplexed.ranges for s in event.signals if s.multiplexed}
    assert selected == {
        "RightIntLightsSwitch": ((0xC4, 0xC4),),  # protected identifier of 0x04: by hand P0 = 1, P1 = not 0
        "LeftIntLightsSwitch": ((0x42, 0x42),),  # of 0x02: P0 = 1, P1 = not 1
    }


def test_the_checksum_follows_the_protocol_version(external_logs: Path) -> None:
    folder = external_logs / "ldfparser"
    kinds = {name: _checksums(folder / name) for name in ("lin13.ldf", "lin20.ldf", "j2602_1.ldf")}
    assert kinds == {"lin13.ldf": {"classic"}, "lin20.ldf": {"enhanced"}, "j2602_1.ldf": {"enhanced"}}
    van = {message.name: message.checksum for message in read_database(SHIPPED / "example-van" / "sensor.ldf", "lin")}
    assert van["BatteryState"] == "enhanced"
    assert van["MasterReq"] == "classic"  # identifiers 0x3C and 0x3D are always classic (LIN 2.2A)


def _checksums(path: Path) -> set[str]:
    return {str(message.checksum) for message in read_database(path, "lin") if message.identifier < 0x3C}


@pytest.mark.parametrize(("identifier", "pid"), [(0x00, 0x80), (0x21, 0x61), (0x3C, 0x3C), (0x3D, 0x7D), (0x2F, 0x6F)])
def test_the_protected_identifier_has_both_parity_bits(identifier: int, pid: int) -> None:
    assert protected(identifier) == pid  # source: table of protected identifiers, LIN 2.2A


def test_a_frame_of_lin_1_without_length_has_the_length_of_its_identifier() -> None:
    assert [legacy_length(i) for i in (0x00, 0x1F, 0x20, 0x2F, 0x30, 0x3F)] == [2, 2, 4, 4, 8, 8]


def _ldf(signals: str, frames: str, encodings: str = "", representation: str = "") -> str:
    return (
        'LIN_description_file; LIN_protocol_version = "2.1"; LIN_language_version = "2.1"; LIN_speed = 19.2 kbps;\n'
        f"Nodes {{ Master: M, 5 ms, 0.1 ms; Slaves: S; }}\nSignals {{ {signals} }}\nFrames {{ {frames} }}\n"
        f"Signal_encoding_types {{ {encodings} }}\nSignal_representation {{ {representation} }}\n"
    )


def _one(text: str) -> MessageLayout:
    (message,) = read_database_bytes(text.encode(), "x.ldf", "lin")
    return message


ONE = _ldf("A: 8, 0, S, M;", "F: 0x10, S, 1 { A, 0; }", 'E { physical_value, 0, 250, 0.5, -40, "°C"; }', "E: A;")


@pytest.mark.parametrize(
    "data", [ONE.encode(), b"\xef\xbb\xbf" + ONE.encode(), ONE.encode("latin-1"), ONE.encode("utf-16")]
)
def test_a_byte_order_mark_and_latin_1_are_read(data: bytes) -> None:
    (message,) = read_database_bytes(data, "x.ldf", "lin")
    assert message.signal("A").unit == "°C"


def test_sections_left_out_are_no_fault() -> None:
    text = "LIN_description_file; Signals { A: 8, 0, S, M; } Frames { F: 0x10, S, 1 { A, 0; } }"
    assert _one(text).checksum == "unknown"


def test_an_empty_frame_and_empty_sections_are_read() -> None:
    message = _one(_ldf("A: 8, 0, S, M;", "F: 0x10, S, 8 { }"))
    assert (message.length, message.signals) == (8, ())


def test_a_scalar_of_24_bits_is_one_number() -> None:
    message = _one(_ldf("A: 24, 16777215, S, M;", "F: 0x10, S, 8 { A, 16; }"))
    assert (message.signal("A").start, message.signal("A").length, message.signal("A").is_bytes) == (16, 24, False)


def test_float_ranges_and_exponents_are_read() -> None:
    text = _ldf(
        "A: 8, 0, S, M;", "F: 0x10, S, 1 { A, 0; }", 'E { physical_value, 0.0, 250.0, 5E-1, -4.0e1, "V"; }', "E: A;"
    )
    signal = _one(text).signal("A")
    assert (signal.scale, signal.offset, signal.minimum, signal.maximum) == (0.5, -40.0, -40.0, 85.0)


def test_an_identifier_written_with_parity_is_the_identifier() -> None:
    assert _one(_ldf("A: 8, 0, S, M;", "F: 0x61, S, 1 { A, 0; }")).identifier == 0x21


def test_an_array_keeps_its_bytes_and_its_initial_value_is_no_block() -> None:
    message = _one(_ldf("A: 16, {1, 2}, S, M; B: 8, 0, S, M;", "F: 0x10, S, 3 { A, 0; B, 16; }"))
    assert message.signal("A").is_bytes
    assert not message.signal("B").is_bytes


def test_raw_values_named_invalid_or_covered_by_nothing_are_invalid() -> None:
    encoding = (
        'E { physical_value, 0, 250, 0.5, 0, "%"; logical_value, 252, "Init ok"; logical_value, 255, "ungültig"; }'
    )
    signal = _one(_ldf("A: 8, 0, S, M;", "F: 0x10, S, 1 { A, 0; }", encoding, "E: A;")).signal("A")
    assert signal.invalid == ((251, 251), (253, 255))


def test_of_two_scales_the_wider_counts_and_the_other_is_invalid() -> None:
    # source: lin_encoders.ldf, encoding V_battery: 1-63, 64-191, 192-253 with 0.0625, 0.0104, 0.0625 V a step
    encoding = (
        'E { logical_value, 0, "under voltage"; physical_value, 1, 63, 0.0625, 7.0, "Volt";'
        ' physical_value, 64, 191, 0.0104, 11.0, "Volt"; physical_value, 192, 253, 0.0625, 13.0, "Volt";'
        ' logical_value, 254, "over voltage"; logical_value, 255, "invalid"; }'
    )
    signal = _one(_ldf("A: 8, 0, S, M;", "F: 0x10, S, 1 { A, 0; }", encoding, "E: A;")).signal("A")
    assert (signal.scale, signal.offset) == (0.0104, 11.0)
    assert signal.invalid == ((1, 63), (192, 253), (255, 255))
    assert "another scale" in signal.comment


def test_the_period_of_a_frame_is_its_schedule_tables_length_over_its_slots() -> None:
    van = {message.name: message for message in read_database(SHIPPED / "example-van" / "sensor.ldf", "lin")}
    assert van["BatteryState"].cycle_s == pytest.approx(0.025)  # by hand: 5 slots of 20 ms, 4 of them this frame
    assert van["BatteryCharge"].cycle_s == pytest.approx(0.1)


BROKEN = {
    "no LDF": ("BO_ 1 x: 8 A", 'does not end with ";"'),
    "another file": ("hello;", 'does not say "LIN_description_file"'),
    "block without end": ("LIN_description_file; Signals { A: 8, 0, S, M;", "does not end"),
    "bracket too many": ("LIN_description_file; }", 'a "}" too many'),
    "text without end": ('LIN_description_file; Channel_name = "x;', "that nothing closes"),
    "comment without end": ("LIN_description_file; Signals { /* ", "does not end"),
    "undefined signal": (_ldf("", "F: 0x10, S, 1 { A, 0; }"), "signal 'A' is not defined"),
    "a length of 9": (_ldf("A: 8, 0, S, M;", "F: 0x10, S, 9 { A, 0; }"), "9 bytes long"),
    "a signal of 2^31 bits": (_ldf("A: 2147483648, 0, S, M;", "F: 0x10, S, 1 { A, 0; }"), "2147483648 bits"),
    "a start of 2^31": (_ldf("A: 8, 0, S, M;", "F: 0x10, S, 1 { A, 2147483648; }"), "begins at bit"),
    "a word for a number": (_ldf("A: x, 0, S, M;", "F: 0x10, S, 1 { A, 0; }"), "'x' is no number"),
    "not finite": (_ldf("A: 8, 0, S, M;", "", "E { physical_value, 0, 1, nan, 0; }", "E: A;"), "'nan' is no number"),
    "deep blocks": ("LIN_description_file; " + "a {" * 5000, "blocks deeper than"),
}


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_ldf_is_refused_with_what_and_where(case: str) -> None:
    text, what = BROKEN[case]
    with pytest.raises(DefinitionError) as raised:
        read_database_bytes(text.encode(), "x.ldf", "lin")
    assert what in raised.value.what
    assert raised.value.where.startswith("x.ldf")
    assert raised.value.mend


@pytest.mark.parametrize("cut", range(0, 4000, 97))
def test_a_cut_ldf_is_refused_or_read_but_never_crashes(cut: int) -> None:
    data = (SHIPPED / "example-van" / "sensor.ldf").read_bytes()[:cut]
    with suppress(DefinitionError):
        read_database_bytes(data, "x.ldf", "lin")
