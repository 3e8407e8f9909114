"""Small batches joined to larger ones: what is done once a batch and signal then weighs less."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from decoder.frames import FrameBatch

ENOUGH = 180_000  # frames; more gains nothing, and costs memory
_KEPT_BYTES = 16 << 20


def gather(batches: Iterable[FrameBatch], enough: int = ENOUGH) -> Iterator[FrameBatch]:
    """The same frames in the same order, in batches of at least that many frames where they can be joined.

    Batches join if they number the same channels and have payloads of one width and checksums alike. A joined batch is
    smaller than twice `enough`; a batch that is large enough goes through untouched.
    """
    # A C library that was once given back so large a block keeps later ones at hand. Else each batch's memory goes back
    # to the system, and comes from there page by page: a tenth of all the time.
    np.empty(_KEPT_BYTES, np.uint8)
    held: list[FrameBatch] = []
    frames = 0
    for batch in batches:
        if held and (not _alike(held[-1], batch) or len(batch) >= enough):
            yield _joined(held)
            held, frames = [], 0
        held.append(batch)
        frames += len(batch)
        if frames >= enough:
            yield _joined(held)
            held, frames = [], 0
    if held:
        yield _joined(held)


def _alike(one: FrameBatch, other: FrameBatch) -> bool:
    return (
        one.channels == other.channels
        and one.payload.shape[1] == other.payload.shape[1]
        and (one.checksum is None) == (other.checksum is None)
    )


def _joined(batches: Sequence[FrameBatch]) -> FrameBatch:
    if len(batches) == 1:
        return batches[0]
    checksums = [batch.checksum for batch in batches if batch.checksum is not None]
    return FrameBatch(
        np.concatenate([batch.time_ns for batch in batches]),
        np.concatenate([batch.channel for batch in batches]),
        batches[0].channels,
        np.concatenate([batch.identifier for batch in batches]),
        np.concatenate([batch.flags for batch in batches]),
        np.concatenate([batch.length for batch in batches]),
        np.concatenate([batch.payload for batch in batches]),
        np.concatenate(checksums) if checksums else None,
    )
