"""Deflated bytes, held against the standard library's own compressor (RFC 1950)."""

from __future__ import annotations

import zlib

import pytest

from decoder.logs.inflate import inflate

DATA = bytes(range(256)) * 40
PACKED = zlib.compress(DATA)
MOST = 1 << 20


@pytest.mark.parametrize("stated", [len(DATA), len(DATA) + 1, len(DATA) - 1, 0, MOST, MOST + 1, 1 << 40])
def test_the_stated_size_is_no_more_than_a_hint(stated: int) -> None:
    assert inflate(PACKED, stated, MOST) == (DATA, True)


def test_bytes_after_the_end_are_no_fault() -> None:
    assert inflate(memoryview(PACKED + b"\0\0\0"), len(DATA), MOST) == (DATA, True)


def test_what_is_too_large_ends_one_byte_past_the_bound() -> None:
    data, ended = inflate(PACKED, len(DATA), 1000)
    assert (data, ended) == (DATA[:1001], False)


@pytest.mark.parametrize("kept", [0, 1, 40, len(PACKED) - 4, len(PACKED) - 1])
def test_of_data_cut_off_what_came_is_given(kept: int) -> None:
    data, ended = inflate(PACKED[:kept], len(DATA), MOST)
    assert not ended
    assert DATA.startswith(data)


def test_a_wrong_checksum_is_damage() -> None:
    with pytest.raises(ValueError, match=r"."):
        inflate(PACKED[:-4] + b"\1\2\3\4", len(DATA), MOST)
