"""Traces thinned for display, never for computation: lowest and highest of each stretch stay, gaps stay gaps."""

from __future__ import annotations

import numpy as np

from decoder.frames import FloatArray, Int64Array
from decoder.recording import Trace


def thin(
    trace: Trace, points: int, span_ns: tuple[int, int] | None = None, *, gap_s: float
) -> tuple[Int64Array, FloatArray]:
    """At most about `points` samples of a trace, with a NaN between stretches that a gap or bad values divide.

    span_ns: only samples in it, both ends included, and the one before that still holds. gap_s: a longer silence is a
    gap [s]. Returns time [ns] and value.
    """
    first, last = 0, len(trace)
    if span_ns is not None:
        first = max(0, int(np.searchsorted(trace.time_ns, span_ns[0], side="right")) - 1)
        last = int(np.searchsorted(trace.time_ns, span_ns[1], side="right"))
    value = np.where(trace.valid[first:last], trace.value[first:last], np.nan)
    return thin_columns(trace.time_ns[first:last], value, points, gap_s=gap_s)


def thin_columns(time_ns: Int64Array, value: FloatArray, points: int, *, gap_s: float) -> tuple[Int64Array, FloatArray]:
    """The same for plain columns. gap_s: a longer silence is a gap [s]."""
    good = np.flatnonzero(np.isfinite(value))
    if not len(good):
        return time_ns[:0], value[:0]
    time, kept = np.ascontiguousarray(time_ns[good]), np.ascontiguousarray(value[good])
    broken = (np.diff(good) > 1) | (np.diff(time) > gap_s * 1e9)
    stretch = np.concatenate(([0], np.cumsum(broken)))
    if len(kept) > points:
        from tsdownsample import MinMaxDownsampler

        chosen = np.sort(MinMaxDownsampler().downsample(kept, n_out=points - points % 2).astype(np.int64))
        edges = np.flatnonzero(broken)
        if len(edges) < points:  # both ends of each stretch stay, so that a gap shows as long as it was
            chosen = np.union1d(chosen, np.concatenate((edges, edges + 1)))
        time, kept, stretch = time[chosen], kept[chosen], stretch[chosen]
    breaks = np.flatnonzero(np.diff(stretch)) + 1
    return np.insert(time, breaks, time[breaks - 1] + 1), np.insert(kept, breaks, np.nan)
