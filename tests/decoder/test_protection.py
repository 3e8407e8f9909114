"""CRCs and end-to-end profiles, against published values and two independent packages."""

from __future__ import annotations

import numpy as np
import pytest
from crccheck.crc import Crc8Autosar, Crc8SaeJ1850, Crc16CcittFalse
from hypothesis import given
from hypothesis import strategies as st

from decoder import protection as pro


@pytest.mark.parametrize(
    ("crc", "expected"),
    [(pro.CRC8_J1850, 0x4B), (pro.CRC8_2F, 0xDF), (pro.CRC16_CCITT_FALSE, 0x29B1), (pro.CRC8_PROFILE_1, 0x37)],
)
def test_check_value(crc: pro.Crc, expected: int) -> None:
    # source: CRC catalogue documentation, check value over "123456789"; 0x37: computed with an independent package
    assert crc.of(b"123456789") == expected


@pytest.mark.parametrize(
    ("crc", "data", "expected"),
    [
        # source: AUTOSAR's list of CRC results, from memory, and a public article that quotes it
        (pro.CRC8_J1850, "F20183", 0x37),
        (pro.CRC8_J1850, "0FAA0055", 0x79),
        (pro.CRC16_CCITT_FALSE, "F20183", 0xD374),
    ],
)
def test_published_result(crc: pro.Crc, data: str, expected: int) -> None:
    assert crc.of(bytes.fromhex(data)) == expected


@given(st.lists(st.binary(min_size=12, max_size=12), min_size=1, max_size=5))
def test_any_row_equals_an_independent_crc(rows: list[bytes]) -> None:
    column = np.array([list(row) for row in rows], np.uint8)
    for ours, theirs in (
        (pro.CRC8_J1850, Crc8SaeJ1850),
        (pro.CRC8_2F, Crc8Autosar),
        (pro.CRC16_CCITT_FALSE, Crc16CcittFalse),
    ):
        assert ours.column(column).tolist() == [theirs.calc(row) for row in rows]


def frames(data: list[bytes]) -> np.ndarray[tuple[int, int], np.dtype[np.uint8]]:
    return np.array([list(one.ljust(8, b"\0")) for one in data], np.uint8)


def test_profile_1_of_eight_zero_bytes() -> None:
    # computed with an independent package: data id 0x123, both bytes included, counters 0 and 1
    checked = pro.check_profile_1(frames([bytes([0xCC, 0x00]), bytes([0x91, 0x01])]), 8, 0x123)
    assert checked.crc_ok.tolist() == [True, True]
    assert checked.count("first") == 1
    assert checked.count("ok") == 1


def test_profile_1_equals_an_independent_package() -> None:
    from e2e import p01

    for mode, theirs in (
        ("both", p01.E2E_P01_DATAID_BOTH),
        ("alternating", p01.E2E_P01_DATAID_ALT),
        ("low", p01.E2E_P01_DATAID_LOW),
    ):
        rows = []
        data = bytearray(b"\0\0\x12\x34\x56\x78\x9a\xbc")
        for _ in range(20):
            p01.e2e_p01_protect(data, 0x1A5, data_id_mode=theirs)
            rows.append(bytes(data))
        checked = pro.check_profile_1(frames(rows), 8, 0x1A5, inclusion=mode)  # type: ignore[arg-type]
        assert checked.crc_ok.all(), mode
        assert checked.count("ok") == 19


def test_profile_2_equals_an_independent_package() -> None:
    from e2e import p02

    ids = bytes(range(0x40, 0x50))
    data = bytearray(b"\0\0\x12\x34\x56\x78\x9a\xbc")
    rows = []
    for _ in range(40):
        p02.e2e_p02_protect(data, ids)
        rows.append(bytes(data))
    checked = pro.check_profile_2(frames(rows), 8, list(ids))
    assert checked.crc_ok.all()
    assert checked.count("ok") == 39


def test_profile_5_equals_an_independent_package() -> None:
    from e2e import p05

    data = bytearray(b"\0\0\0\x34\x56\x78\x9a\xbc")
    rows = []
    for _ in range(300):
        p05.e2e_p05_protect(data, 0x1234)
        rows.append(bytes(data))
    checked = pro.check_profile_5(frames(rows), 8, 0x1234)
    assert checked.crc_ok.all()
    assert checked.count("ok") == 299


def test_a_counter_that_stands_or_leaps_is_a_fault_of_the_data() -> None:
    # by hand, modulo 15: 13, 14, 0 run on; 0 again stands; 3 leaps by three; 4 runs on
    states = pro.counter_states(np.array([13, 14, 0, 0, 3, 4]), 15)
    assert [pro.COUNTER_STATES[state] for state in states] == ["first", "ok", "ok", "repeated", "lost", "ok"]
    assert len(pro.counter_states(np.empty(0, np.int64), 15)) == 0


def test_a_flipped_bit_is_wrong_and_takes_no_part_in_the_count() -> None:
    rows = frames([bytes([0xCC, 0x00]), bytes([0xCC, 0x01]), bytes([0x91, 0x01])])
    checked = pro.check_profile_1(rows, 8, 0x123)
    assert checked.crc_ok.tolist() == [True, False, True]
    assert checked.count("wrong") == 1
    assert checked.count("ok") == 1
