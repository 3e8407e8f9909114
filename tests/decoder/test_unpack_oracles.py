"""Bits to numbers, against cantools and ldfparser: any layout, and whole databases."""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.unpack import Unpacked, unpack
from signal_defs.layout import MessageLayout, SignalLayout


def message(*signals: SignalLayout, length: int = 8) -> MessageLayout:
    return MessageLayout("M", 0x100, length, signals)


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
