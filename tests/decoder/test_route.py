"""Which message of which bus a frame is."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.channels import ChannelCount, assign_channels, bare_name, plain_name
from decoder.frames import Flag, FrameBatch
from decoder.keys import MAX_KEYS, OVERFLOW, KeyTable
from decoder.lin_frames import as_lin
from decoder.route import UNKNOWN, MessageIndex, Router, key_parts, parameter_group
from signal_defs.layout import BusKind, MessageLayout
from signal_defs.platform import Bus


def batch(
    rows: list[tuple[int, int, int]], channels: tuple[str, ...] = ("can0",), time_ns: list[int] | None = None
) -> FrameBatch:
    """rows: (channel, identifier, flags)."""
    n = len(rows)
    columns = np.array(rows, np.int64).reshape(n, 3)
    return FrameBatch(
        np.arange(n, dtype=np.int64) if time_ns is None else np.array(time_ns, np.int64),
        columns[:, 0].astype(np.uint16),
        channels,
        columns[:, 1].astype(np.uint32),
        columns[:, 2].astype(np.uint16),
        np.full(n, 8, np.uint8),
        np.zeros((n, 8), np.uint8),
    )


def bus(
    name: str, *identifiers: int, kind: BusKind = "can", channels: tuple[str, ...] = (), extended: bool = False
) -> Bus:
    return Bus(
        name, kind, channels, tuple(MessageLayout(hex(one), one, 8, (), extended=extended) for one in identifiers)
    )


@pytest.mark.parametrize(
    ("identifier", "group"),
    [
        (0x18FEF700, 65271),  # source: J1939 parameter table in a public charger manual; by hand 0xFEF7
        (0x0CF00400, 61444),  # same; 0xF004
        (0x18EA2A17, 0xEA00),  # by hand: PF 0xEA < 0xF0, so the destination 0x2A does not count
        (0x19FFFD01, 0x1FFFD),  # source: RV-C tables in public implementers' documentation; data page 1
    ],
)
def test_the_parameter_group_of_an_identifier(identifier: int, group: int) -> None:
    assert parameter_group(identifier) == group


def test_priority_and_sender_of_an_identifier_do_not_matter_to_its_group() -> None:
    assert {
        parameter_group(priority << 26 | 0xFEF7 << 8 | sender) for priority in range(8) for sender in (0, 7, 255)
    } == {65271}


def test_an_identifier_of_eleven_bits_is_not_that_of_twenty_nine() -> None:
    router = Router(MessageIndex([bus("body", 0x100)]))
    routed = router.route(batch([(0, 0x100, 0), (0, 0x100, int(Flag.EXTENDED))]))
    assert routed.target.tolist() == [0, UNKNOWN]


def test_frames_that_are_no_data_are_sorted_out_by_kind() -> None:
    router = Router(MessageIndex([bus("body", 0x100)]))
    lin = Flag.LIN | Flag.ERROR
    flags = [0, Flag.ERROR, Flag.REMOTE, lin | Flag.NO_RESPONSE, lin | Flag.BAD_PARITY, lin | Flag.BAD_CHECKSUM, lin]
    routed = router.route(batch([(0, 0x100, int(flag)) for flag in flags]))
    assert len(routed.batch) == 1
    assert router.rejected == {
        "error_frame": 1,
        "remote_frame": 1,
        "lin_no_response": 1,
        "lin_parity": 1,
        "lin_checksum": 1,
        "lin_error": 1,
    }


def test_a_channel_without_a_known_frame_waits_for_one() -> None:
    router = Router(MessageIndex([bus("body", 0x100)]))
    assert router.route(batch([(0, 0x700, 0)])).target.tolist() == [UNKNOWN]
    assert router.route(batch([(0, 0x100, 0), (0, 0x700, 0)])).target.tolist() == [0, UNKNOWN]
    assert router.seen() == [("can0", 0x700, False, 2, UNKNOWN), ("can0", 0x100, False, 1, 0)]


def test_a_second_bus_on_the_only_channel_is_found_when_it_comes() -> None:
    router = Router(MessageIndex([bus("body", 0x100), bus("engine", 0x200)]))
    assert router.route(batch([(0, 0x100, 0)], ("",))).target.tolist() == [0]
    assert router.route(batch([(0, 0x200, 0), (0, 0x100, 0)], ("",))).target.tolist() == [1, 0]


def test_a_hundred_thousand_foreign_identifiers_end_soon() -> None:
    router = Router(MessageIndex([bus("body", 0x100)]))
    begin = time.process_time()
    for first in range(0, 100_000, 1000):
        rows = [(0, first + number, int(Flag.EXTENDED)) for number in range(1000)] + [(0, 0x100, 0)]
        assert router.route(batch(rows)).target[-1] == 0
    assert time.process_time() - begin < 20  # [s] about half a second here; a table looked up again and again would not


def test_lin_frames_never_belong_to_a_can_bus() -> None:
    router = Router(MessageIndex([bus("body", 0x21), bus("sensor", 0x21, kind="lin")]))
    rows = [(0, 0x21, 0), (0, 0x21, int(Flag.LIN))]
    assert router.route(batch(rows, ("1",))).target.tolist() == [0, 1]


# ---------------------------------------------------------------- channels


@pytest.mark.parametrize(("name", "plain", "bare"), [
    ("CAN 01", "can1", "1"), ("can0", "can0", "0"), ("vcan10", "vcan10", "10"), ("slcan1", "slcan1", "1"),
    ("body", "body", "body"), ("Li", "li", "li"), ("L2", "l2", "2"), ("channel_3", "channel3", "3"),
])  # fmt: skip
def test_names_of_channels_are_compared_without_their_dress(name: str, plain: str, bare: str) -> None:
    assert (plain_name(name), bare_name(name)) == (plain, bare)


def count(name: str, known: dict[int, int], *, frames: int = 100, lin: bool = False) -> ChannelCount:
    return ChannelCount(name, lin, frames, known, dict.fromkeys(known, 1))


def test_the_written_name_goes_before_the_bare_number() -> None:
    buses = [bus("body", 1, channels=("can0", "1"))]
    found = assign_channels([count("0", {0: 50}), count("1", {0: 50})], buses)
    assert found.buses == ((), (0,))
    assert assign_channels([count("0", {0: 50})], buses).buses == ((0,),)


def test_a_can_and_a_lin_channel_of_one_number_are_two() -> None:
    buses = [bus("body", 1, channels=("1",)), bus("sensor", 1, kind="lin", channels=("lin0", "1"))]
    found = assign_channels([count("1", {0: 90, 1: 90}), count("1", {1: 90}, lin=True)], buses)
    assert found.buses == ((0,), (1,))


def test_each_nameless_bus_takes_the_channel_it_knows_best() -> None:
    buses = [bus("body", *range(40)), bus("engine", *range(30, 60))]
    found = assign_channels([count("a", {0: 20, 1: 90}), count("b", {0: 95, 1: 30})], buses)
    assert found.buses == ((1,), (0,))
    assert len(found.notes) == 2


def test_two_buses_may_share_the_only_channel() -> None:
    buses = [bus("body", 1), bus("engine", 2)]
    assert assign_channels([count("", {0: 60, 1: 40})], buses).buses == ((0, 1),)


def test_a_chance_identifier_does_not_make_a_foreign_channel_a_bus() -> None:
    buses = [bus("body", 1, channels=("can0",)), bus("engine", *range(20), channels=("can2",))]
    found = assign_channels([count("can0", {0: 90}), count("can1", {1: 3})], buses)
    assert found.buses == ((0,), ())


# ---------------------------------------------------------------- LIN as CAN frames


def test_lin_channels_of_a_network_device_become_lin_frames() -> None:
    remote, extended = int(Flag.REMOTE), int(Flag.EXTENDED)
    rows = [
        (1, 0x21, remote),
        (0, 0x21, 0),
        (1, 0x21, 0),
        (1, 0x22, remote),
        (1, 0x61, 0),
        (1, 0xA1, 0),
        (1, 0x21, extended),
    ]
    got = as_lin(batch(rows, ("can0", "lin0")), {1})
    flags = [Flag(one) for one in got.flags.tolist()]
    assert flags[0] == Flag.LIN | Flag.REMOTE  # answered by row 2
    assert flags[1] == Flag(0)
    assert flags[2] == Flag.LIN
    assert flags[3] == Flag.LIN | Flag.ERROR | Flag.NO_RESPONSE
    assert (got.identifier[4], flags[4]) == (0x21, Flag.LIN)  # by hand: 0x61 is 0x21 with right parity
    assert flags[5] == Flag.LIN | Flag.ERROR | Flag.BAD_PARITY
    assert flags[6] == Flag.LIN | Flag.EXTENDED


def test_a_response_that_comes_late_does_not_answer_a_header() -> None:
    got = as_lin(batch([(0, 0x21, int(Flag.REMOTE)), (0, 0x21, 0)], ("lin0",), [0, 10**9]), {0})
    assert got.flags[0] & Flag.NO_RESPONSE


# ---------------------------------------------------------------- keys


@settings(max_examples=100, deadline=None)
@given(st.lists(st.lists(st.integers(0, 2**48 - 1), max_size=50), max_size=5))
def test_keys_are_numbered_once_and_for_all(batches: list[list[int]]) -> None:
    table = KeyTable()
    seen: dict[int, int] = {}
    for keys in batches:
        for key, number in zip(keys, table.number(np.array(keys, np.uint64)).tolist(), strict=True):
            assert seen.setdefault(key, number) == number
    assert sorted(seen.values()) == list(range(len(seen)))
    assert {int(key): number for number, key in enumerate(table.keys)} == seen


def test_more_keys_than_any_log_has_do_not_grow_without_bound() -> None:
    table = KeyTable()
    table.number(np.arange(200_000, dtype=np.uint64))
    assert len(table) == MAX_KEYS
    assert table.number(np.array([0, 10**12], np.uint64)).tolist() == [0, OVERFLOW]


def test_a_key_says_what_it_was_made_of() -> None:
    router = Router(MessageIndex([]))
    router.route(batch([(1, 0x1ABCDEF0, int(Flag.EXTENDED)), (0, 0x21, int(Flag.LIN))], ("a", "b")))
    assert {(name, identifier, extended) for name, identifier, extended, _, _ in router.seen()} == {
        ("b", 0x1ABCDEF0, True),
        ("a", 0x21, False),
    }
    assert key_parts(3 << 32 | 1 << 31 | 5) == (5, True, False, 3)
