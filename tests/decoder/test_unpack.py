"""Bits to numbers: against cantools and ldfparser on any layout, and against published frames."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.unpack import Unpacked, carried, dense, unpack
from signal_defs.errors import DefinitionError
from signal_defs.layout import MessageLayout, Multiplexed, SignalLayout


def message(*signals: SignalLayout, length: int = 8) -> MessageLayout:
    return MessageLayout("M", 0x100, length, signals)


def one(signal: SignalLayout, payload: bytes, width: int = 8) -> Unpacked:
    rows = np.zeros((1, width), np.uint8)
    rows[0, : len(payload)] = list(payload)
    return unpack(message(signal, length=width), rows, np.array([len(payload)], np.uint8))[signal.name]


def value(signal: SignalLayout, payload: str) -> float | None:
    """The value of one frame; None where it is not valid."""
    got = one(signal, bytes.fromhex(payload))
    return float(got.value[0]) if got.valid[0] else None


# ---------------------------------------------------------------- published frames and frames worked by hand


def test_lin_signals_lie_least_significant_bit_first_across_bytes() -> None:
    # by hand: A0 30 40 7D 41 4A 95 83 read as one little-endian number, shifted and masked
    frame = bytes.fromhex("A030407D414A9583")
    number = int.from_bytes(frame, "little")
    for start, length, expected in (
        (0, 16, 12448),
        (16, 16, 32064),
        (32, 8, 65),
        (40, 6, 10),
        (46, 10, 597),
        (63, 1, 1),
    ):
        assert (number >> start) & ((1 << length) - 1) == expected
        assert one(SignalLayout("s", start, length), frame).raw[0] == expected


def test_lin_signals_are_scaled() -> None:
    # by hand: 12448 * 0.001; 32064 * 0.05 - 1600; 65 - 40
    frame = "A030407D414A9583"
    assert value(SignalLayout("u", 0, 16, scale=0.001), frame) == pytest.approx(12.448, abs=1e-9)
    assert value(SignalLayout("i", 16, 16, scale=0.05, offset=-1600.0), frame) == pytest.approx(3.20, abs=1e-9)
    assert value(SignalLayout("t", 32, 8, offset=-40.0), frame) == 25.0


WORD_CODES = ((0xFB00, 0xFFFF),)  # SAE J1939-71, from memory: words above 0xFAFF are no values
BYTE_CODES = ((0xFB, 0xFF),)


def test_vehicle_electrical_power_1_gives_current_and_voltages() -> None:
    # source: J1939 parameter table in a public charger manual (PGN 65271: 1 A/bit -125; 0.05 V/bit); by hand
    frame = "7D00FFFFF800F800"
    assert value(SignalLayout("i", 0, 8, offset=-125.0, invalid=BYTE_CODES), frame) == 0.0
    assert value(SignalLayout("charging", 16, 16, scale=0.05, invalid=WORD_CODES), frame) is None
    assert value(SignalLayout("battery", 32, 16, scale=0.05, invalid=WORD_CODES), frame) == pytest.approx(
        12.40, abs=1e-9
    )
    assert value(SignalLayout("key", 48, 16, scale=0.05, invalid=WORD_CODES), frame) == pytest.approx(12.40, abs=1e-9)


def test_not_available_is_never_a_current_or_a_voltage() -> None:
    frame = "FFFFFFFFFFFFFFFF"
    assert value(SignalLayout("i", 0, 8, offset=-125.0, invalid=BYTE_CODES), frame) is None  # not 130 A
    assert value(SignalLayout("u", 32, 16, scale=0.05, invalid=WORD_CODES), frame) is None  # not 3276.75 V


def test_vehicle_electrical_power_3_gives_the_high_range_current() -> None:
    # source: same table, 0.05 A/bit -1600 A; by hand: 0x7D00 = 32000
    for start in (0, 16):
        assert value(SignalLayout("i", start, 16, scale=0.05, offset=-1600.0), "007D007D00000000") == 0.0


def test_rv_c_status_1_counts_milliamperes_from_minus_two_million_ampere() -> None:
    # source: RV-C tables in public implementers' documentation; by hand: 0x010E = 270, 0x77359400 = 2e9
    frame = "01780E0100943577"
    assert value(SignalLayout("u", 16, 16, scale=0.05), frame) == pytest.approx(13.50, abs=1e-6)
    assert value(SignalLayout("i", 32, 32, scale=0.001, offset=-2e6), frame) == pytest.approx(0.0, abs=1e-6)


def test_rv_c_status_2_temperature_counts_from_minus_273() -> None:
    # source: same; by hand: 0x24E0 = 9440, 9440 / 32 - 273
    assert value(SignalLayout("t", 16, 16, scale=0.03125, offset=-273.0), "0101E02400000000") == pytest.approx(
        22.0, abs=1e-9
    )


def test_electronic_engine_controller_1_gives_speed_and_starter_mode() -> None:
    # source: J1939 parameter table in a public charger manual: 0.125 rpm/bit, starter mode in byte 7; by hand
    frame = "FFFFFF8016FF02FF"
    assert value(SignalLayout("n", 24, 16, scale=0.125), frame) == 720.0
    assert value(SignalLayout("starter", 48, 4), frame) == 2.0


@pytest.mark.parametrize(
    ("signal", "payload", "expected"),
    [
        # by hand, and the same from two public DBC decoders
        (SignalLayout("s", 7, 16, "big"), "1234000000000000", 4660.0),
        (SignalLayout("s", 16, 12, "big", signed=True, scale=0.1), "123480FC05A31C00", 201.6),
        (SignalLayout("s", 43, 10, "big", scale=0.25, offset=-10.0), "123480FC05A31C00", 39.75),
        (SignalLayout("s", 4, 12), "A5C3000000000000", 3130.0),
        (SignalLayout("s", 16, 16, signed=True, scale=0.1), "000038FF00000000", -20.0),
    ],
)
def test_a_field_is_read_as_the_dbc_convention_says(signal: SignalLayout, payload: str, expected: float) -> None:
    assert value(signal, payload) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("payload", "scale", "offset", "expected"),
    [
        # source: public OBD parameter tables (SAE J1979); 0x42: from memory
        ("4142319C", 0.001, 0.0, 12.700),
        ("410C0C80", 0.25, 0.0, 800.0),
    ],
)
def test_a_diagnostic_answer_is_a_big_endian_word(payload: str, scale: float, offset: float, expected: float) -> None:
    assert value(SignalLayout("x", 23, 16, "big", scale=scale, offset=offset), payload) == pytest.approx(
        expected, abs=1e-9
    )


# ---------------------------------------------------------------- any layout, against cantools


@st.composite
def layouts(draw: st.DrawFn) -> tuple[SignalLayout, int]:
    """One signal anywhere in a payload of 8 or 64 bytes."""
    width = draw(st.sampled_from([8, 64]))
    is_float = draw(st.sampled_from([False, False, True]))
    length = draw(st.sampled_from([16, 32, 64])) if is_float else draw(st.integers(1, 64))
    at = draw(st.integers(0, width * 8 - length))
    big = draw(st.booleans())
    start = 8 * (at // 8) + 7 - at % 8 if big else at
    scale = draw(st.sampled_from([1.0, 2.0, 0.05, -0.1, 3.0, 0.001, -1.0, 1e-9, 12345.0]))
    offset = draw(st.sampled_from([0.0, -40.0, -1600.0, 0.3, 1e6]))
    signed = not is_float and draw(st.booleans())
    order = "big" if big else "little"
    return SignalLayout("s", start, length, order, signed, is_float, scale, offset), width  # type: ignore[arg-type]


def cantools_message(signal: SignalLayout, width: int) -> Any:
    from cantools.database.can import Message, Signal
    from cantools.database.conversion import BaseConversion

    def number(x: float) -> float:
        return int(x) if x.is_integer() else x

    conversion = BaseConversion.factory(number(signal.scale), number(signal.offset), None, signal.is_float)
    theirs = Signal(
        "s", signal.start, signal.length, f"{signal.byte_order}_endian", signal.signed, conversion=conversion
    )
    return Message(0x100, "M", width, [theirs], is_fd=width > 8)


@settings(max_examples=400, deadline=None)
@given(layouts(), st.lists(st.binary(min_size=64, max_size=64), min_size=1, max_size=4))
def test_any_field_equals_cantools_bit_for_bit(layout: tuple[SignalLayout, int], payloads: list[bytes]) -> None:
    signal, width = layout
    theirs = cantools_message(signal, width)
    columns = np.array([list(payload[:width]) for payload in payloads], np.uint8)
    got = unpack(message(signal, length=width), columns, np.full(len(payloads), width, np.uint8))["s"]
    for row, payload in enumerate(payloads):
        expected = float(theirs.decode(payload[:width])["s"])
        assert struct.pack("<d", expected) == struct.pack("<d", got.value[row]) or (
            np.isnan(expected) and np.isnan(got.value[row])
        )
        if not signal.is_float:
            assert int(got.raw[row]) == theirs.decode(payload[:width], scaling=False)["s"]


@settings(max_examples=200, deadline=None)
@given(
    st.lists(layouts(), min_size=1, max_size=12),
    st.lists(st.binary(min_size=64, max_size=64), min_size=1, max_size=4),
    st.sampled_from([8, 12, 64]),
    st.data(),
)
def test_signals_taken_out_together_are_those_taken_out_alone(
    found: list[tuple[SignalLayout, int]], payloads: list[bytes], width: int, data: st.DataObject
) -> None:
    signals = [replace(signal, name=f"s{number}", maximum=500.0) for number, (signal, _) in enumerate(found)]
    columns = np.array([list(payload[:width]) for payload in payloads], np.uint8)
    length = np.array([data.draw(st.integers(width - 4, width)) for _ in payloads], np.uint8)
    together = unpack(message(*signals, length=width), columns, length)
    assert list(together) == [signal.name for signal in signals]
    for signal in signals:
        alone = decode_alone(signal, columns, length)
        got = together[signal.name]
        assert got.raw.tobytes() == alone.raw.tobytes()
        assert got.value.tobytes() == alone.value.tobytes()
        assert got.valid.tolist() == alone.valid.tolist()
        assert (got.truncated, got.outside) == (alone.truncated, alone.outside)


def decode_alone(signal: SignalLayout, columns: np.ndarray, length: np.ndarray) -> Unpacked:
    """One signal, frame by frame."""
    rows = [
        unpack(message(signal), columns[row : row + 1], length[row : row + 1])[signal.name]
        for row in range(len(length))
    ]
    return Unpacked(
        np.concatenate([one.raw for one in rows]),
        np.concatenate([one.value for one in rows]),
        np.concatenate([one.valid for one in rows]),
        None,
        sum(one.truncated for one in rows),
        sum(one.outside for one in rows),
    )


# ---------------------------------------------------------------- multiplexing


def test_a_multiplexed_signal_has_a_sample_only_where_its_multiplexer_says_so() -> None:
    layout = message(
        SignalLayout("mux", 0, 8, is_multiplexer=True),
        SignalLayout("a", 8, 8, multiplexed=Multiplexed("mux", ((1, 1), (5, 7)))),
        SignalLayout("b", 8, 8, multiplexed=Multiplexed("mux", ((2, 2),))),
        SignalLayout("never", 8, 8, multiplexed=Multiplexed("mux", ((300, 400),))),
    )
    payload = np.zeros((5, 8), np.uint8)
    payload[:, 0] = [1, 2, 3, 6, 1]
    payload[:, 1] = [10, 20, 30, 40, 50]
    got = unpack(layout, payload, np.full(5, 8, np.uint8))
    assert got["mux"].rows is None
    assert got["a"].rows is not None
    assert got["a"].rows.tolist() == [0, 3, 4]
    assert got["a"].value.tolist() == [10, 40, 50]
    assert got["b"].value.tolist() == [20]
    assert len(got["never"].value) == 0
    full, valid = dense(got["a"], 5)
    assert valid.tolist() == [True, False, False, True, True]
    assert np.isnan(full[1])
    assert carried({"a": got["a"], "b": got["b"]}, 5).tolist() == [True, True, False, True, True]


def test_multiplexers_are_followed_inwards() -> None:
    layout = message(
        SignalLayout("inner", 8, 8, is_multiplexer=True, multiplexed=Multiplexed("outer", ((1, 1),))),
        SignalLayout("leaf", 16, 8, multiplexed=Multiplexed("inner", ((4, 4),))),
        SignalLayout("outer", 0, 8, is_multiplexer=True),
    )
    payload = np.array([[1, 4, 9, 0, 0, 0, 0, 0], [2, 4, 9, 0, 0, 0, 0, 0], [1, 5, 9, 0, 0, 0, 0, 0]], np.uint8)
    rows = unpack(layout, payload, np.full(3, 8, np.uint8), ["leaf"])["leaf"].rows
    assert rows is not None
    assert rows.tolist() == [0]


def test_multiplexers_in_a_circle_are_refused() -> None:
    layout = message(
        SignalLayout("a", 0, 8, multiplexed=Multiplexed("b", ((0, 0),))),
        SignalLayout("b", 8, 8, multiplexed=Multiplexed("a", ((0, 0),))),
    )
    with pytest.raises(DefinitionError, match="circle"):
        unpack(layout, np.zeros((1, 8), np.uint8), np.full(1, 8, np.uint8))


def test_three_thousand_nested_multiplexers_end() -> None:
    signals = [SignalLayout("0", 0, 1, is_multiplexer=True)]
    signals += [SignalLayout(str(k), 0, 1, multiplexed=Multiplexed(str(k - 1), ((0, 0),))) for k in range(1, 3000)]
    got = unpack(message(*signals), np.zeros((2, 8), np.uint8), np.full(2, 8, np.uint8), ["2999"])
    assert len(got["2999"].value) == 2


# ---------------------------------------------------------------- what is not a value


def test_a_payload_too_short_for_a_signal_gives_it_no_sample_and_is_counted() -> None:
    layout = message(SignalLayout("near", 0, 8), SignalLayout("far", 24, 16))
    got = unpack(layout, np.ones((3, 8), np.uint8), np.array([8, 4, 5], np.uint8))
    assert got["near"].truncated == 0
    assert got["far"].truncated == 1
    assert got["far"].rows is not None
    assert got["far"].rows.tolist() == [0, 2]


def test_a_signal_past_every_payload_is_missing_not_an_error() -> None:
    got = one(SignalLayout("far", 200, 16), bytes(8))
    assert len(got.value) == 0
    assert got.truncated == 1


def test_out_of_range_is_kept_but_not_valid() -> None:
    signal = SignalLayout("s", 0, 8, scale=0.5, minimum=1.0, maximum=100.0)
    columns = np.zeros((4, 8), np.uint8)
    columns[:, 0] = [0, 2, 200, 201]
    got = unpack(message(signal), columns, np.full(4, 8, np.uint8))["s"]
    assert got.value.tolist() == [0.0, 1.0, 100.0, 100.5]
    assert got.valid.tolist() == [False, True, True, False]
    assert got.outside == 2


@pytest.mark.parametrize("ranges", [((3, 3),), ((3, 3), (5, 6)), tuple((k, k) for k in range(3, 250, 2)), ((-5, 2),)])
def test_a_raw_value_in_an_invalid_range_is_not_valid(ranges: tuple[tuple[int, int], ...]) -> None:
    columns = np.zeros((256, 8), np.uint8)
    columns[:, 0] = np.arange(256)
    got = unpack(message(SignalLayout("s", 0, 8, invalid=ranges)), columns, np.full(256, 8, np.uint8))["s"]
    expected = [not any(low <= raw <= high for low, high in ranges) for raw in range(256)]
    assert got.valid.tolist() == expected


def test_a_float_that_is_no_number_is_not_valid() -> None:
    frame = struct.pack("<f", float("nan")) + struct.pack("<f", float("inf"))
    assert not one(SignalLayout("s", 0, 32, is_float=True), frame).valid[0]
    assert not one(SignalLayout("s", 32, 32, is_float=True), frame).valid[0]


def test_a_byte_array_keeps_its_bytes() -> None:
    got = one(SignalLayout("s", 8, 24, is_bytes=True), bytes(range(8)))
    assert got.raw.tolist() == [[1, 2, 3]]
    got = one(SignalLayout("s", 15, 24, "big", is_bytes=True), bytes(range(8)))
    assert got.raw.tolist() == [[1, 2, 3]]


# ---------------------------------------------------------------- whole databases


DATABASES = [
    "floating_point.dbc", "foobar.dbc", "issue_184_extended_mux_cascaded.dbc", "motohawk.dbc", "msxii_system_can.dbc",
    "multiplex.dbc", "multiplex_choices.dbc", "signed.dbc", "socialledge.dbc", "vehicle.dbc", "fd_test.dbc",
    "vehicle.kcd", "tester.kcd", "jopp-6.0.sym", "signal-types-6.0.sym", "system-4.2.arxml",
]  # fmt: skip


@pytest.mark.parametrize("name", DATABASES)
def test_a_real_database_decodes_as_cantools_decodes_it(external_logs: Path, name: str) -> None:
    import cantools

    from signal_defs.databases import read_database

    path = external_logs / "cantools" / name
    theirs = cantools.database.load_file(path, strict=False)
    by_key = {(one.frame_id, one.is_extended_frame): one for one in theirs.messages}
    rng = np.random.default_rng(7)
    compared = 0
    for layout in read_database(path, "can"):
        oracle = by_key[layout.identifier, layout.extended]
        width = 8 if layout.length <= 8 else 64
        payload = np.zeros((40, width), np.uint8)
        payload[:, : layout.length] = rng.integers(0, 256, (40, layout.length))
        payload[:20, :2] = 0
        payload[:20, 0] = np.arange(20)  # multiplexers lie here in most
        got = unpack(layout, payload, np.full(40, layout.length, np.uint8))
        for row in range(40):
            compared += compare_row(oracle, bytes(payload[row, : layout.length]), got, row)
    assert compared > 0


def compare_row(oracle: Any, payload: bytes, got: dict[str, Unpacked], row: int) -> int:
    """Check one frame against cantools; a frame with an unknown multiplexer value is no oracle (cantools loses it)."""
    import cantools

    if oracle.is_container:
        return 0
    try:
        expected = oracle.decode(payload, decode_choices=False)
    except (cantools.database.DecodeError, KeyError):
        return 0
    for name, number in expected.items():
        column = got[name]
        at = row if column.rows is None else int(np.searchsorted(column.rows, row))
        assert column.rows is None or column.rows[at] == row
        if column.raw.ndim == 1:
            assert float(number) == column.value[at] or (np.isnan(number) and np.isnan(column.value[at]))
    return len(expected)


@pytest.mark.parametrize("name", ["lin13.ldf", "lin20.ldf", "lin22.ldf", "lin_encoders.ldf", "j2602_1.ldf"])
def test_a_real_lin_description_decodes_as_ldfparser_decodes_it(external_logs: Path, name: str) -> None:
    import ldfparser

    from signal_defs.databases import read_database

    path = external_logs / "ldfparser" / name
    theirs = ldfparser.parse_ldf(path)
    unconditional = {frame.name for frame in theirs.get_unconditional_frames()}
    rng = np.random.default_rng(11)
    compared = 0
    for layout in read_database(path, "lin"):
        if layout.name not in unconditional:  # event-triggered and sporadic frames carry others' signals
            continue
        oracle = theirs.get_unconditional_frame(layout.name)
        payload = np.zeros((30, 8), np.uint8)
        payload[:, : layout.length] = rng.integers(0, 256, (30, layout.length))
        got = unpack(layout, payload, np.full(30, layout.length, np.uint8))
        for row in range(30):
            raws = oracle.decode_raw(bytearray(payload[row, : layout.length].tobytes()))
            for signal, raw in raws.items():
                assert got[signal].raw[row].tolist() == raw, signal
                compared += 1
                compared += compare_physical(theirs.get_signal(signal), raw, got[signal], row)
    assert compared > 50


def compare_physical(signal: Any, raw: Any, got: Unpacked, row: int) -> int:
    """Check a physical value; logical values and values without an encoding are no oracle for numbers."""
    if signal.encoding_type is None or signal.is_array():
        return 0
    try:
        expected = signal.encoding_type.decode(raw, signal)
    except ValueError:  # ldfparser refuses a value out of every range: so it must not be valid here
        assert not got.valid[row]
        return 1
    if isinstance(expected, float):
        assert got.value[row] == expected
        return 1
    return 0
