"""Bits to numbers: published frames and frames worked by hand."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from decoder.unpack import Unpacked, unpack
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
