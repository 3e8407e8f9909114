"""What a role said and when, with the age at which a sample no longer tells the present."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from decoder.recording import Recording, Trace
from estimator.estimate import BatteryEstimate
from idle_stop.soc_trust import soc_doubted
from idle_stop.steps import UNKNOWN, Int8Array, Steps, from_samples

_SAMPLED = 4096  # differences looked at for the period; a long trace is regular enough
_ESTIMATE_HOLDS_NS = 60_000_000_000  # charge moves slowly: an estimate tells the present for a minute


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """A role's samples. low, high: (n,) the value, or the band of an estimate. usable: (n,) False where not valid.

    limit_ns: age at which a sample is stale. cuts_ns: instants no sample holds across. gaps: (g,) indices of samples
    followed by a longer wait than the limit. estimated: the sensor does not say it, the estimate stands in.
    """

    role: str
    unit: str
    time_ns: Int64Array
    low: FloatArray
    high: FloatArray
    usable: BoolArray
    limit_ns: int
    gaps: Int64Array
    cuts_ns: tuple[int, ...] = ()
    labels: Mapping[int, str] = field(default_factory=dict)
    estimated: bool = False

    def band(self, at_ns: Int64Array) -> tuple[FloatArray, FloatArray]:
        """Low and high of the last sample at or before each instant; NaN where it is stale or not usable."""
        if not len(self.time_ns):
            nothing = np.full(len(at_ns), np.nan)
            return nothing, nothing
        index = np.searchsorted(self.time_ns, at_ns, side="right") - 1
        last = np.maximum(index, 0)
        known = (index >= 0) & (at_ns - self.time_ns[last] <= self.limit_ns) & self.usable[last]
        return np.where(known, self.low[last], np.nan), np.where(known, self.high[last], np.nan)

    def steps(self, states: Int8Array) -> Steps:
        """A state worked out of each sample, (n,), over time; UNKNOWN where the sample is not usable or stale."""
        known = np.where(self.usable, states, np.int8(UNKNOWN)).astype(np.int8)
        return from_samples(self.time_ns, known, self.limit_ns, self.cuts_ns, self.gaps)

    def value(self, at_ns: int) -> float:
        """The value at one instant (the middle of a band); NaN where it is unknown."""
        low, high = self.band(np.array([at_ns], dtype=np.int64))
        return float(low[0] + high[0]) / 2.0


def _is_sent_on_change(trace: Trace) -> bool:
    """Whether a flag or state is sent when it changes rather than in a cycle: most samples differ from the one before.

    Only for flags and states (small whole numbers). Common practice, no source.
    """
    if len(trace) < 3:
        return False
    head = trace.value[:_SAMPLED]
    known = head[np.isfinite(head)]
    if len(known) < 3 or not np.array_equal(known, np.round(known)) or (not trace.labels and trace.unit != "bool"):
        return False
    return bool(np.mean(known[1:] != known[:-1]) >= 0.5)


def _stale_after_ns(trace: Trace) -> int:
    """Age at which a sample is stale [ns]: ten of its periods, one second at least; see `Trace.stale_after_s`.

    The period of a long trace is the median of evenly chosen differences.
    """
    if len(trace) < 2:
        return 1_000_000_000
    index = np.unique(np.linspace(0, len(trace) - 2, min(len(trace) - 1, _SAMPLED)).astype(np.int64))
    period = float(np.median(trace.time_ns[index + 1] - trace.time_ns[index]))
    return max(int(10.0 * period), 1_000_000_000)


class Readings:
    """Every role of one recording, worked out once when asked for."""

    def __init__(self, recording: Recording, estimate: BatteryEstimate) -> None:
        self.recording = recording
        self.estimate = estimate
        self.silences = tuple(gap for gap in recording.faults.gaps if not gap.role)
        self._kept: dict[str, Reading | None] = {}
        self._gaps: dict[tuple[int, int], Int64Array] = {}

    def of(self, role: str) -> Reading | None:
        """The role's reading; None where it was never seen. `battery_soc` falls back to the estimate."""
        if role not in self._kept:
            trace = self.recording.traces.get(role)
            if trace is not None and len(trace):
                self._kept[role] = self._from_trace(trace)
            else:
                self._kept[role] = self._estimated() if role == "battery_soc" else None
        return self._kept[role]

    def _from_trace(self, trace: Trace) -> Reading:
        steps = self.recording.faults.clock_steps_ns
        if _is_sent_on_change(trace):
            limit = max(self.recording.end_ns - int(trace.time_ns[0]), 1_000_000_000)
            cuts = (*steps, *(gap.start_ns + 1 for gap in self.silences))
        else:
            limit, cuts = _stale_after_ns(trace), steps
        usable = trace.valid & np.isfinite(trace.value)
        if trace.role == "battery_soc":
            usable &= ~soc_doubted(self.recording, self.estimate)
        gaps = self._gaps_of(trace.time_ns, limit)
        value = trace.value
        return Reading(
            trace.role, trace.unit, trace.time_ns, value, value, usable, limit, gaps, tuple(cuts), trace.labels
        )

    def _gaps_of(self, time_ns: Int64Array, limit_ns: int) -> Int64Array:
        """Samples followed by a wait longer than the limit; looked for once where roles share their instants."""
        key = (id(time_ns), limit_ns)
        if key not in self._gaps:
            self._gaps[key] = np.flatnonzero(np.diff(time_ns) > limit_ns)
        return self._gaps[key]

    def _estimated(self) -> Reading | None:
        estimate = self.estimate
        if not len(estimate.time_ns):
            return None
        usable = np.isfinite(estimate.soc_low) & np.isfinite(estimate.soc_high)
        gaps = np.flatnonzero(np.diff(estimate.time_ns) > _ESTIMATE_HOLDS_NS)
        return Reading(
            "battery_soc",
            "%",
            estimate.time_ns,
            estimate.soc_low,
            estimate.soc_high,
            usable,
            _ESTIMATE_HOLDS_NS,
            gaps,
            self.recording.faults.clock_steps_ns,
            estimated=True,
        )
