"""Batches joined to larger ones."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from decoder.frames import FrameBatch
from decoder.gather import gather


def batch(first: int, n: int, *, width: int = 8, channel: str = "can0", checksum: bool = False) -> FrameBatch:
    time_ns = np.arange(first, first + n, dtype=np.int64)
    return FrameBatch(
        time_ns,
        np.zeros(n, np.uint16),
        (channel,),
        time_ns.astype(np.uint32),
        np.zeros(n, np.uint16),
        np.full(n, 8, np.uint8),
        np.full((n, width), 7, np.uint8),
        np.full(n, -1, np.int16) if checksum else None,
    )


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 30), st.sampled_from([8, 64]), st.booleans(), st.sampled_from(["a", "b"]))))
def test_frames_keep_their_order_and_their_columns(parts: list[tuple[int, int, bool, str]]) -> None:
    first = 0
    batches = []
    for n, width, checksum, channel in parts:
        batches.append(batch(first, n, width=width, checksum=checksum, channel=channel))
        first += n
    got = list(gather(batches, 20))
    assert [time for one in got for time in one.time_ns.tolist()] == list(range(first))
    assert all(len(one) < 40 for one in got)
    names = [name for one in got for name in one.channels * len(one)]
    assert names == [name for one in batches for name in one.channels * len(one)]
    assert all(len(one.checksum) == len(one) for one in got if one.checksum is not None)


def test_small_batches_are_joined_and_large_ones_go_through() -> None:
    large = batch(100, 50)
    got = list(gather([batch(0, 5), batch(5, 5), large, batch(150, 5), batch(155, 5)], 20))
    assert [len(one) for one in got] == [10, 50, 10]
    assert got[1] is large
