"""CAN databases: every layout field equals what cantools says; J1939 and invalid codes on top."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cantools
import pytest

import signal_defs
from signal_defs.databases import SUFFIXES, read_database, read_database_bytes
from signal_defs.errors import DefinitionError
from signal_defs.layout import MessageLayout, SignalLayout

SHIPPED = Path(signal_defs.__file__).parent / "platforms"


def _values_of(ranges: tuple[tuple[int, int], ...]) -> list[int]:
    return [value for low, high in ranges for value in range(low, high + 1)]


def _fields(signal: Any) -> Iterator[tuple[str, object]]:
    yield "name", signal.name
    yield "start", signal.start
    yield "length", signal.length
    yield "byte_order", {"little_endian": "little", "big_endian": "big"}[signal.byte_order]
    yield "signed", signal.is_signed
    yield "is_float", signal.is_float
    yield "scale", signal.scale
    yield "offset", signal.offset
    yield "unit", signal.unit or ""
    yield "minimum", signal.minimum
    yield "maximum", signal.maximum
    yield "choices", {int(raw): str(name) for raw, name in (signal.choices or {}).items()}
    yield "is_multiplexer", signal.is_multiplexer
    yield "comment", signal.comment or ""


def _assert_same_signal(ours: SignalLayout, theirs: Any) -> None:
    for name, value in _fields(theirs):
        assert getattr(ours, name) == value, (theirs.name, name)
    if theirs.multiplexer_ids:
        assert ours.multiplexed is not None
        assert ours.multiplexed.by == theirs.multiplexer_signal
        assert _values_of(ours.multiplexed.ranges) == sorted(set(theirs.multiplexer_ids))
    else:
        assert ours.multiplexed is None


def _assert_same(ours: tuple[MessageLayout, ...], theirs: Any) -> None:
    assert [message.name for message in ours] == [message.name for message in theirs.messages]
    for message, other in zip(ours, theirs.messages, strict=True):
        assert message.identifier == other.frame_id
        assert message.extended == other.is_extended_frame
        assert message.length == other.length
        assert message.is_fd == bool(other.is_fd)
        assert message.cycle_s == (other.cycle_time / 1000 if other.cycle_time else None)
        assert message.comment == (other.comment or "")
        for signal, other_signal in zip(message.signals, other.signals, strict=True):
            _assert_same_signal(signal, other_signal)


def test_every_external_can_database_equals_cantools_in_every_field(external_logs: Path) -> None:
    files = [path for path in sorted(external_logs.rglob("*")) if path.suffix in SUFFIXES["can"]]
    assert len(files) >= 17
    for path in files:
        _assert_same(read_database(path, "can"), cantools.database.load_file(path, strict=False))


def test_every_shipped_can_database_is_strictly_sound_and_equals_cantools() -> None:
    for path in sorted(SHIPPED.rglob("*.dbc")):
        _assert_same(read_database(path, "can"), cantools.database.load_file(path, strict=True))


def test_a_j1939_database_matches_by_parameter_group(external_logs: Path) -> None:
    messages = read_database(SHIPPED / "open-standard" / "j1939.dbc", "can")
    assert {message.match for message in messages} == {"pgn"}
    plain = read_database(external_logs / "cantools" / "vehicle.dbc", "can")
    assert {message.match for message in plain} == {"exact"}


def test_j1939_codes_for_error_and_not_available_are_invalid() -> None:
    by_name = {message.name: message for message in read_database(SHIPPED / "open-standard" / "j1939.dbc", "can")}
    # J1939-71, transmitted signal ranges, from memory: byte to 0xFA, word to 0xFAFF are values
    assert by_name["VEP1"].signal("NetBatteryCurrent").invalid == ((0xFB, 0xFF),)
    assert by_name["VEP1"].signal("BatteryPotential").invalid == ((0xFB00, 0xFFFF),)
    # SPN 1675: 14 error, 15 not available; 12 "inhibited, reason unknown" is a state
    assert by_name["EEC1"].signal("StarterMode").invalid == ((14, 15),)
    rvc = {message.name: message for message in read_database(SHIPPED / "open-standard" / "rvc.dbc", "can")}
    assert rvc["DC_SOURCE_STATUS_1"].signal("Current").invalid == ((0xFB000000, 0xFFFFFFFF),)


def test_rvc_counts_no_current_as_0x77359400() -> None:
    rvc = {message.name: message for message in read_database(SHIPPED / "open-standard" / "rvc.dbc", "can")}
    current = rvc["DC_SOURCE_STATUS_1"].signal("Current")
    assert 0x77359400 * current.scale + current.offset == pytest.approx(0.0, abs=1e-6)  # source: RV-C, DGN 1FFFD


def test_named_codes_of_a_dbc_are_invalid() -> None:
    engine = next(m for m in read_database(SHIPPED / "example-van" / "body.dbc", "can") if m.name == "Engine")
    assert engine.signal("Coolant").invalid == ((254, 255),)
    assert engine.signal("RunState").invalid == ((2, 3),)


MUX = """VERSION ""
NS_ :
BS_:
BU_: A
BO_ 256 M: 8 A
 SG_ Mux M : 0|32@1+ (1,0) [0|0] "" A
 SG_ Wide m0 : 32|8@1+ (1,0) [0|0] "" A
 SG_ Narrow m1 : 40|8@1+ (1,0) [0|0] "" A
SG_MUL_VAL_ 256 Wide Mux 5-4294967295;
SG_MUL_VAL_ 256 Narrow Mux 1-2, 4-4;
"""


def test_a_range_of_four_thousand_million_multiplexer_values_stays_a_range() -> None:
    (message,) = read_database_bytes(MUX.encode(), "mux.dbc", "can")
    wide, narrow = message.signal("Wide").multiplexed, message.signal("Narrow").multiplexed
    assert wide is not None
    assert wide.ranges == ((5, 4294967295),)
    assert narrow is not None
    assert narrow.ranges == ((1, 2), (4, 4))


HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: A\n'
GIANTS = {
    "length of a signal": ("x.dbc", HEAD + 'BO_ 256 M: 8 A\n SG_ S : 0|4000000000@1+ (1,0) [0|0] "" A\n', 6),
    "start of a signal": ("x.dbc", HEAD + 'BO_ 256 M: 8 A\n SG_ S : 4000000000|8@1+ (1,0) [0|0] "" A\n', 6),
    "length of a message": ("x.dbc", HEAD + 'BO_ 256 M: 4000000000 A\n SG_ S : 0|8@1+ (1,0) [0|0] "" A\n', 5),
    "number of 5000 digits": ("x.dbc", HEAD + f"BO_ 256 M: {'9' * 5000} A\n", 5),
    "KCD": ("x.kcd", '<NetworkDefinition>\n<Bus><Message id="0x1"><Signal offset="0" length="4000000000"/>', 2),
    "SYM": ("x.sym", 'FormatVersion=6.0 // x\nTitle="x"\n{SIGNALS}\nSig=S unsigned 4000000000\n', 4),
    "ARXML": ("x.arxml", "<AUTOSAR>\n<LENGTH>4000000000</LENGTH>", 2),
}


@pytest.mark.parametrize("case", GIANTS)
def test_a_signal_or_message_of_four_thousand_million_bits_is_refused_at_its_line(case: str) -> None:
    name, text, line = GIANTS[case]
    with pytest.raises(DefinitionError, match="more than a message can have") as raised:
        read_database_bytes(text.encode(), name, "can")
    assert raised.value.where == f"{name}, line {line}"


@pytest.mark.parametrize("name", ["x.dbc", "x.kcd", "x.sym", "x.arxml"])
@pytest.mark.parametrize("data", [b"", b"\x00\xff\xfe garbage", b"BO_ 1", b"<a><b>", b"\xef\xbb\xbf", b'BO_ 1 "'])
def test_garbage_is_refused_with_one_message_or_holds_nothing(name: str, data: bytes) -> None:
    outcome = _read_or_error(data, name)
    if isinstance(outcome, DefinitionError):
        assert outcome.where == name
        assert outcome.mend
    else:
        assert outcome == ()


def _read_or_error(data: bytes, name: str) -> tuple[MessageLayout, ...] | DefinitionError:
    try:
        return read_database_bytes(data, name, "can")
    except DefinitionError as error:
        return error


@pytest.mark.parametrize(("encoding", "mark"), [("utf-8", b""), ("utf-8", b"\xef\xbb\xbf"), ("cp1252", b"")])
def test_units_with_a_degree_sign_are_read_in_every_usual_encoding(encoding: str, mark: bytes) -> None:
    text = 'VERSION ""\nNS_ :\nBS_:\nBU_: A\nBO_ 256 M: 8 A\n SG_ S : 0|8@1+ (1,0) [0|0] "°C" A\n'
    (message,) = read_database_bytes(mark + text.encode(encoding), "x.dbc", "can")
    assert message.signal("S").unit == "°C"
