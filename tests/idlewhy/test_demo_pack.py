"""The demo's own encoder against the libraries that read the databases."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import signal_defs
from idlewhy.demo.lin_bytes import enhanced_checksum, protected_identifier
from idlewhy.demo.pack import pack
from signal_defs.load import load_platform

PLATFORMS = Path(signal_defs.__file__).parent / "platforms"


def test_the_van_can_messages_are_packed_as_cantools_packs_them() -> None:
    import cantools  # type: ignore[import-untyped, unused-ignore]

    database = cantools.database.load_file(PLATFORMS / "example-van" / "body.dbc")
    rng = np.random.default_rng(5)
    for message in load_platform("example-van").bus("body").messages:
        if any(signal.multiplexed for signal in message.signals):
            continue
        raw = {s.name: int(rng.integers(0, max(1, (1 << s.length - 1) - 16))) for s in message.signals}
        physical = {s.name: np.array([raw[s.name] * s.scale + s.offset]) for s in message.signals}
        # source: cantools, encoding the same raw values
        wanted = database.get_message_by_name(message.name).encode(raw, scaling=False, strict=False)
        assert pack(message, physical, 1).tobytes() == wanted, message.name


def test_the_hatchback_lin_frames_are_packed_as_the_definition_lays_them_out() -> None:
    message = load_platform("example-hatch").bus("sensor").message("SensorFast")
    values = {"Voltage": np.array([12.5]), "VoltageValid": np.array([1.0]), "Discharge": np.array([0.1])}
    # by hand: 12500 | 1 << 15 = 0xB0D4; (0.1 + 2000) / 0.001 = 2000100 = 0x1E84E4; temperature missing = 0xFF
    assert pack(message, values, 1).tobytes() == bytes.fromhex("D4B0 E4841E FF")


def test_a_missing_value_becomes_the_not_available_code_and_a_large_one_stays_below_it() -> None:
    message = load_platform("example-van").bus("sensor").message("BatteryState")
    values = {"TerminalVoltage": np.array([np.nan, 1000.0])}
    payload = pack(message, values, 2)
    assert payload[0, :2].tobytes() == b"\xff\xff"  # source: sensor.ldf, 65535 "invalid"
    assert int(payload[1, :2].view("<u2")[0]) < 65534  # source: sensor.ldf, 65534 "not available"


@pytest.mark.parametrize(("identifier", "pid"), [(0x3C, 0x3C), (0x3D, 0x7D), (0x01, 0xC1), (0x10, 0x50), (0x30, 0xF0)])
def test_protected_identifiers_carry_their_parity(identifier: int, pid: int) -> None:
    # source: LIN 2.2A, 2.3.1.3, by hand
    assert protected_identifier(np.array([identifier], np.uint32))[0] == pid


def test_enhanced_checksums_are_those_of_the_standard() -> None:
    payload = np.zeros((2, 8), np.uint8)
    payload[:, :4] = (0x4A, 0x55, 0x93, 0xE5)
    payload[1] = (0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88)
    # source: LIN 2.2A, 2.8.3, example over 4A 55 93 E5 with pid BF; PID 0x50 over 11..88: 49 (a public sketch)
    found = enhanced_checksum(np.array([0x3F, 0x10], np.uint32), payload)
    assert found[1] == 0x49
    assert found[0] == 0xE6  # 0x3F is reserved and, like the diagnostic frames, summed over data alone
