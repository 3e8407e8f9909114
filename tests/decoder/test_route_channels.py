"""Batches whose readers number the channels anew."""

from __future__ import annotations

import numpy as np

from decoder.frames import Flag, FrameBatch
from decoder.route import UNKNOWN, MessageIndex, Router
from signal_defs.load import load_platform


def _batch(channels: tuple[str, ...], rows: list[tuple[int, int, int]]) -> FrameBatch:
    """rows: (channel, identifier, flags)."""
    n = len(rows)
    channel, identifier, flags = zip(*rows, strict=True)
    return FrameBatch(
        np.arange(n, dtype=np.int64),
        np.array(channel, np.uint16),
        channels,
        np.array(identifier, np.uint32),
        np.array(flags, np.uint16),
        np.full(n, 8, np.uint8),
        np.zeros((n, 8), np.uint8),
    )


def test_a_channel_keeps_its_bus_where_the_next_batch_numbers_it_otherwise() -> None:
    router = Router(MessageIndex(load_platform("example-van").buses))
    engine, state = (0x0A0, 0), (0x21, int(Flag.LIN))
    first = router.route(_batch(("1", "L1"), [(0, *engine), (1, *state)])).target
    later = router.route(_batch(("L1",), [(0, *state)])).target
    swapped = router.route(_batch(("L1", "1"), [(0, *state), (1, *engine)])).target
    assert UNKNOWN not in first
    assert later.tolist() == [first[1]]
    assert swapped.tolist() == [first[1], first[0]]
    assert [(name, identifier, count) for name, identifier, _, count, _ in router.seen()] == [
        ("1", 0x0A0, 2),
        ("L1", 0x21, 3),
    ]
