"""One hour of a van in town: the frames its platform defines, and the many that no platform asks for."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from decoder.frames import FrameBatch
from decoder.logs import open_log
from idlewhy.candump import write_candump
from idlewhy.demo.make import make_logs

HOUR_NS = 3_600_000_000_000
FOREIGN = np.arange(0x400, 0x440, dtype=np.uint32)  # identifiers no database of the van defines


def write_hour(path: Path, frames: int = 3_000_000, seed: int = 5) -> int:
    """Write the last hour of the demo's first van, filled up to that many frames; returns the frames written."""
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as folder:
        (van,) = make_logs(Path(folder), only=("van-01",))
        batches = list(open_log(van.logs[0]).batches())
    channels = batches[-1].channels

    def column(name: str) -> np.ndarray:
        return np.concatenate([getattr(batch, name) for batch in batches])

    time_ns = column("time_ns")
    own = time_ns >= time_ns[-1] - HOUR_NS
    more = frames - int(own.sum())
    start, end = int(time_ns[own][0]), int(time_ns[-1])
    times = np.concatenate([time_ns[own], np.sort(rng.integers(start // 1000, end // 1000, more)) * 1000])
    order = np.argsort(times, kind="stable")

    def with_foreign(name: str, foreign: np.ndarray) -> np.ndarray:
        known = column(name)[own]
        return np.ascontiguousarray(np.concatenate([known, foreign.astype(known.dtype)])[order])

    write_candump(
        path,
        FrameBatch(
            times[order],
            with_foreign("channel", np.full(more, channels.index("can0"))),
            channels,
            with_foreign("identifier", rng.choice(FOREIGN, more)),
            with_foreign("flags", np.zeros(more)),
            with_foreign("length", np.full(more, 8)),
            with_foreign("payload", rng.integers(0, 256, (more, 8))),
        ),
    )
    return frames
