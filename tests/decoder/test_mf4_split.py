"""Mixed MF4 records are found in one look where they repeat, and the same as one by one."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.logs.mf4_split import split

SIZES = {1: 5, 2: -1, 3: 0}
FORMS = {1: "<B", 2: "<H", 4: "<I", 8: "<Q"}


def plain(data: bytes, id_bytes: int) -> tuple[dict[int, list[int]], int, bool]:
    """The records as the format defines them, one by one."""
    places: dict[int, list[int]] = {key: [] for key in SIZES}
    at = 0
    while at + id_bytes <= len(data):
        key = int.from_bytes(data[at : at + id_bytes], "little")
        if key not in SIZES:
            return places, at, True
        size = SIZES[key]
        if size < 0:
            if at + id_bytes + 4 > len(data):
                break
            size = 4 + int.from_bytes(data[at + id_bytes : at + id_bytes + 4], "little")
            if size > 2048:
                return places, at, True
        if at + id_bytes + size > len(data):
            break
        places[key].append(at)
        at += id_bytes + size
    return places, at, False


def record(key: int, length: int, id_bytes: int) -> bytes:
    head = struct.pack(FORMS[id_bytes], key)
    return head + (struct.pack("<I", length) + b"\x02" * length if key == 2 else b"\x01" * SIZES[key])


def found(data: bytes, id_bytes: int) -> tuple[dict[int, list[int]], int, bool]:
    got = split(data, 0, SIZES, id_bytes)
    return {key: places.tolist() for key, places in got.position.items()}, got.end, got.broken


RUN = st.tuples(
    st.lists(st.tuples(st.sampled_from([1, 2, 3]), st.sampled_from([0, 3, 8])), max_size=5), st.integers(1, 200)
)


@settings(max_examples=200, deadline=None)
@given(st.lists(RUN, max_size=6), st.sampled_from([1, 2, 4, 8]), st.integers(0, 30), st.data())
def test_records_are_split_as_one_by_one(
    runs: list[tuple[list[tuple[int, int]], int]], id_bytes: int, cut: int, data: st.DataObject
) -> None:
    content = bytearray().join(record(*one, id_bytes) for pattern, times in runs for one in pattern * times)
    content = content[: max(len(content) - cut, 0)]
    if content and data.draw(st.booleans()):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    assert found(bytes(content), id_bytes) == plain(bytes(content), id_bytes)


@pytest.mark.parametrize("id_bytes", [3, 5])
def test_identifiers_of_odd_width_are_walked(id_bytes: int) -> None:
    content = (b"\x01" + bytes(id_bytes - 1) + bytes(5)) * 100
    places, end, broken = found(content, id_bytes)
    assert (len(places[1]), end, broken) == (100, len(content), False)
