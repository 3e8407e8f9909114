"""LIN parity, checksums and times."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from decoder import lin

# source: public microcontroller LIN peripheral manuals; computed again from the parity equations by hand
PROTECTED = """
80 C1 42 03 C4 85 06 47 08 49 CA 8B 4C 0D 8E CF
50 11 92 D3 14 55 D6 97 D8 99 1A 5B 9C DD 5E 1F
20 61 E2 A3 64 25 A6 E7 A8 E9 6A 2B EC AD 2E 6F
F0 B1 32 73 B4 F5 76 37 78 39 BA FB 3C 7D FE BF
"""


def test_all_sixty_four_protected_identifiers_are_right() -> None:
    expected = list(bytes.fromhex(PROTECTED))
    assert [lin.protect(identifier) for identifier in range(64)] == expected
    assert lin.protect_column(np.arange(64)).tolist() == expected


@pytest.mark.parametrize(
    ("identifier", "pid"), [(0x3C, 0x3C), (0x3D, 0x7D), (0x01, 0xC1), (0x10, 0x50), (0x20, 0x20), (0x30, 0xF0)]
)
def test_a_protected_identifier_is_known(identifier: int, pid: int) -> None:
    assert lin.protect(identifier) == pid
    assert lin.parity_ok(np.array([pid])).all()


def test_wrong_parity_is_seen() -> None:
    assert lin.parity_ok(np.array([0x51, 0x11])).tolist() == [False, True]  # by hand: identifier 0x11 needs 0x11


def test_every_byte_that_is_no_protected_identifier_has_wrong_parity() -> None:
    assert int(lin.parity_ok(np.arange(256)).sum()) == 64


@pytest.mark.parametrize("identifier", [-1, 64, 0x7FF])
def test_more_than_six_bits_are_refused(identifier: int) -> None:
    with pytest.raises(ValueError, match="six bits"):
        lin.protect(identifier)


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        ("4A5593E5", 0xE6),  # source: LIN 2.2A §2.8.3, running 4A, 9F, 33, 19
        ("00FFFFFFFFFFFFFF", 0x00),  # go to sleep on 0x3C; by hand: seven times 0xFF stays 0xFF, inverted
        ("0106B200F77F060F", 0xB9),  # by hand: 0x01+06+B2+00+F7+7F+06+0F = 0x244, 0x44+2 = 0x46, inverted
        ("00", 0xFF),
        ("1122334455667788", 0x99),  # source: public LIN example sketch; by hand: 0x264, 0x66, inverted
    ],
)
def test_classic_checksum(data: str, expected: int) -> None:
    payload = bytes.fromhex(data)
    assert lin.checksum_classic(payload) == expected
    assert lin.checksum_classic_column(np.array([list(payload)], np.uint8)).tolist() == [expected]


@pytest.mark.parametrize(
    ("pid", "data", "expected"),
    [
        (0xBF, "4A5593E5", 0x27),  # source: documentation of an open LIN codec
        (0x11, "4A5593E5", 0xD5),  # source: same
        (0x50, "1122334455667788", 0x49),  # source: public LIN example sketch
        (0x3C, "0106B200F77F060F", 0x7D),  # what a tool that knows only the enhanced kind would ask for
    ],
)
def test_enhanced_checksum(pid: int, data: str, expected: int) -> None:
    payload = bytes.fromhex(data)
    assert lin.checksum_enhanced(pid, payload) == expected
    column = lin.checksum_enhanced_column(np.array([pid], np.uint8), np.array([list(payload)], np.uint8))
    assert column.tolist() == [expected]


@given(st.integers(0, 63), st.binary(min_size=0, max_size=8))
def test_the_sum_with_carry_is_the_standards_loop_and_the_kinds_never_agree(identifier: int, data: bytes) -> None:
    def running(values: list[int]) -> int:  # LIN 2.2A: subtract 255 whenever the sum passes 255
        total = 0
        for value in values:
            total += value
            if total > 255:
                total -= 255
        return 0xFF - total

    pid = lin.protect(identifier)
    assert lin.checksum_classic(data) == running(list(data))
    assert lin.checksum_enhanced(pid, data) == running([pid, *data])
    assert lin.checksum_classic(data) != lin.checksum_enhanced(pid, data)


def test_each_frame_gets_its_verdict() -> None:
    payload = np.zeros((4, 8), np.uint8)
    payload[:, :4] = list(bytes.fromhex("4A5593E5"))
    verdict = lin.checksum_verdicts(np.full(4, 0x3F), payload, np.array([0xE6, 0x27, 0x00, -1]))
    assert verdict.tolist() == [lin.CLASSIC, lin.ENHANCED, lin.NEITHER, lin.NOT_LOGGED]
    assert lin.keeps(verdict, "classic").tolist() == [True, False, False, True]
    assert lin.keeps(verdict, "enhanced").tolist() == [False, True, False, True]
    assert lin.keeps(verdict, "unknown").tolist() == [True, True, False, True]
    assert lin.checksum_verdicts(np.full(4, 0x3F), payload, None).tolist() == [lin.NOT_LOGGED] * 4


def test_the_majority_settles_the_kind_before_the_definition() -> None:
    assert lin.settle_kind(0x11, 9, 1, "enhanced") == "classic"
    assert lin.settle_kind(0x11, 1, 9, "classic") == "enhanced"
    assert lin.settle_kind(0x11, 2, 2, "classic") == "classic"
    assert lin.settle_kind(0x11, 2, 2) == "enhanced"
    assert lin.settle_kind(0x11, 0, 0) == "unknown"


def test_diagnostic_frames_are_always_classic() -> None:
    assert lin.settle_kind(0x3C, 0, 10, "enhanced") == "classic"
    assert lin.settle_kind(0x3D, 0, 10) == "classic"
