"""Signals of a log as bounded columns, before any of them has a role."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from decoder.frames import FloatArray, Int64Array
from decoder.logs import ReadOptions
from decoder.signals import SignalBatch, choose_columns, decode_signals
from signal_defs.platform import UNKNOWN_BATTERY, Bus, Platform

MAX_SAMPLES = 12_000_000  # of all signals together, about 300 MB; what comes later in the logs is left out
MAX_EACH = 500_000


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """The valid samples of one signal: time_ns (n,) rising, value (n,) physical in the database's unit, raw (n,)."""

    time_ns: Int64Array
    value: FloatArray
    raw: NDArray[Any]

    def __len__(self) -> int:
        return len(self.time_ns)

    def held(self, at_ns: Int64Array, max_age_s: float = 2.0) -> FloatArray:
        """The last value at or before each instant; NaN where there is none younger than max_age_s."""
        if not len(self):
            return np.full(len(at_ns), np.nan)
        row = np.searchsorted(self.time_ns, at_ns, side="right") - 1
        last = np.maximum(row, 0)
        fresh = (row >= 0) & (at_ns - self.time_ns[last] <= int(max_age_s * 1e9))
        return np.where(fresh, self.value[last], np.nan)

    def between(self, start_ns: int, end_ns: int) -> FloatArray:
        """The values from one instant to another."""
        first, past = np.searchsorted(self.time_ns, [start_ns, end_ns], side="left")
        return self.value[first:past]


def read_series(
    paths: Sequence[str | Path], buses: Sequence[Bus], sources: Collection[str], options: ReadOptions | None
) -> dict[str, Series]:
    """The series of those signals ("bus/message.signal") that have samples in the logs. Raises LogError for none."""
    platform = Platform("new", "new", tuple(buses), {}, UNKNOWN_BATTERY)
    wanted = set(sources)
    columns = [one for one in choose_columns(platform) if one.name in wanted]
    if not columns:
        return {}
    each = max(min(MAX_EACH, MAX_SAMPLES // len(columns)), 1000)
    return _joined(decode_signals(paths, platform, columns, options=options), each)


def _joined(batches: Iterable[SignalBatch], each: int) -> dict[str, Series]:
    kept: dict[str, list[tuple[Int64Array, FloatArray, NDArray[Any]]]] = {}
    counts: dict[str, int] = {}
    for batch in batches:
        name = batch.column.name
        room = each - counts.get(name, 0)
        if batch.raw.ndim > 1 or room <= 0:
            continue
        valid = np.flatnonzero(batch.valid)[:room]
        counts[name] = counts.get(name, 0) + len(valid)
        kept.setdefault(name, []).append((batch.time_ns[valid], batch.value[valid], batch.raw[valid]))
    joined = {}
    for name, parts in kept.items():
        time_ns = np.concatenate([part[0] for part in parts])
        order = np.argsort(time_ns, kind="stable")
        value, raw = (np.concatenate([part[place] for part in parts])[order] for place in (1, 2))
        joined[name] = Series(time_ns[order], value, raw)
    return joined
