"""What is done once a frame or once a value: the compiled loops give what NumPy gives, bit for bit."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar
from unittest.mock import patch

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from decoder.bits import window
from decoder.blocks import build_blocks, fits_block
from decoder.frames import FrameBatch
from decoder.keys import MAX_KEYS, OVERFLOW, KeyTable
from decoder.logs import compiled
from decoder.places import Places
from decoder.unpack import Unpacker
from signal_defs.layout import ByteOrder, MessageLayout, SignalLayout

Answer = TypeVar("Answer")
SCALES = st.sampled_from([1.0, 0.05, 0.001, 1 / 3, -0.25, 1e-300, 1e300]) | st.floats(-1e6, 1e6)
OFFSETS = st.sampled_from([0.0, -0.0, -1600.0, 0.1, 1e300]) | st.floats(-1e6, 1e6)


def both_ways(work: Callable[[], Answer]) -> tuple[Answer, Answer]:
    """What NumPy gives, and what the compiled loops do."""
    assert compiled.load() is not None, "the tests need numba, of the extra named fast"
    from decoder import compiled_frames

    with patch.object(compiled, "frame_loops", return_value=None):
        plain = work()
    with patch.object(compiled, "frame_loops", return_value=compiled_frames):
        return plain, work()


@st.composite
def signals(draw: st.DrawFn, width: int) -> SignalLayout:
    order: ByteOrder = draw(st.sampled_from(["little", "big"]))
    length, bit = draw(st.integers(1, 64)), draw(st.integers(0, 8 * width - 1))
    first = min(bit, 8 * width - length)  # counted in the direction of the byte order
    start = first if order == "little" else 8 * (first // 8) + 7 - first % 8
    return SignalLayout("s", start, length, order, draw(st.booleans()), scale=draw(SCALES), offset=draw(OFFSETS))


@settings(max_examples=300, deadline=None)
@given(st.data(), st.sampled_from([8, 64]), st.integers(0, 40), st.integers(0, 2**32 - 1))
def test_signals_are_cut_and_scaled_alike(data: st.DataObject, width: int, rows: int, seed: int) -> None:
    found = [one for one in data.draw(st.lists(signals(width), min_size=1, max_size=6)) if fits_block(one)]
    payload = np.random.default_rng(seed).integers(0, 256, (rows, width), np.uint8)
    payload[: rows // 4] = seed % 2 * 255
    for block in build_blocks(found):
        word = window(payload, block.at, block.big, {})
        with np.errstate(over="ignore"):
            (raw, value), (raw_too, value_too) = both_ways(lambda block=block, word=word: block.cut(word))  # type: ignore[misc]
        assert (raw.dtype, raw.shape, raw.tobytes()) == (raw_too.dtype, raw_too.shape, raw_too.tobytes())
        assert (value.dtype, value.shape, value.tobytes()) == (value_too.dtype, value_too.shape, value_too.tobytes())


def test_payloads_that_may_not_be_written_or_lie_askew_are_cut_alike() -> None:
    signal = SignalLayout("s", 4, 12, scale=0.1)
    stored = bytes(range(81))
    askew = np.frombuffer(stored, np.uint8)[1:].reshape(10, 8)
    unpacker = Unpacker(MessageLayout("M", 1, 8, (signal,)))
    plain, loops = both_ways(lambda: unpacker.unpack(askew, np.full(10, 8, np.uint8))["s"])
    assert plain.value.tobytes() == loops.value.tobytes()


@settings(max_examples=200, deadline=None)
@given(
    st.sets(st.integers(0, 9), max_size=10),
    st.lists(st.integers(-1, 9), max_size=60),
    st.sampled_from([8, 64]),
    st.booleans(),
)
@example({0, 1}, [1, 0, 1], 8, True)
def test_frames_are_sorted_by_message_alike(needed: set[int], target: list[int], width: int, askew: bool) -> None:
    step = 2 if askew else 1  # columns that are not contiguous
    count = len(target)
    batch = FrameBatch(
        np.arange(step * count, dtype=np.int64)[::step],
        np.zeros(count, np.uint16),
        ("",),
        np.zeros(count, np.uint32),
        np.zeros(count, np.uint16),
        np.arange(step * count, dtype=np.uint8)[::step],
        np.arange(count * width, dtype=np.uint64).astype(np.uint8).reshape(count, width),
    )
    places = Places(needed, 10)
    plain, loops = both_ways(lambda: list(places.of(batch, np.array(target, np.int32))))
    assert [one.target for one in plain] == [one.target for one in loops] == sorted(needed & set(target))
    for one, other in zip(plain, loops, strict=True):
        assert one.rows.tolist() == [row for row, number in enumerate(target) if number == one.target]
        assert one.time_ns.tolist() == batch.time_ns[one.rows].tolist()
        assert one.length.tolist() == batch.length[one.rows].tolist()
        assert one.payload.tolist() == batch.payload[one.rows].tolist()
        assert [one.tolist() for one in one[1:]] == [other.tolist() for other in other[1:]]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.lists(st.integers(0, 2**48 - 1) | st.integers(0, 30), max_size=80), max_size=5))
def test_keys_are_numbered_alike(batches: list[list[int]]) -> None:
    def numbers() -> list[list[int]]:
        table = KeyTable()
        return [table.number(np.array(keys, np.uint64)).tolist() for keys in batches]

    plain, loops = both_ways(numbers)
    assert plain == loops


def test_more_keys_than_any_log_has_are_numbered_alike() -> None:
    def numbers() -> list[int]:
        table = KeyTable()
        table.number(np.arange(100_000, dtype=np.uint64))
        found: list[int] = table.number(np.array([0, MAX_KEYS - 1, MAX_KEYS, 10**12], np.uint64)).tolist()
        return found

    assert both_ways(numbers) == ([0, MAX_KEYS - 1, OVERFLOW, OVERFLOW],) * 2
