"""A recording: all logs of one vehicle merged, one trace a role, and what is wrong with the data."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from decoder.frames import BoolArray, Damage, FloatArray, Int64Array


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One role over time, in the role's unit and sign.

    time_ns: (n,) rising. value: (n,) float64; flags are 0 and 1, states are the raw number. NaN where not valid.
    valid: (n,) False where the raw value meant "not available" or "error", or was out of the definition's range.
    labels: state roles only, number -> name. source: bus/message.signal.
    """

    role: str
    source: str
    unit: str
    time_ns: Int64Array
    value: FloatArray
    valid: BoolArray
    labels: Mapping[int, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.time_ns)

    @property
    def period_s(self) -> float:
        """Median time between samples [s]; NaN with fewer than two."""
        return float(np.median(np.diff(self.time_ns))) / 1e9 if len(self) > 1 else math.nan

    @property
    def stale_after_s(self) -> float:
        """Age at which a sample no longer tells the present [s]: ten of the signal's periods, one second at least."""
        return max(10.0 * self.period_s, 1.0) if len(self) > 1 else 1.0

    def held(self, at_ns: Int64Array, max_age_s: float | None = None) -> FloatArray:
        """The last value at or before each instant; NaN where it is invalid, missing or older than max_age_s.

        at_ns: (m,) [ns]. max_age_s: None for `stale_after_s`. Returns (m,) in the role's unit.
        """
        if not len(self):
            return np.full(len(at_ns), np.nan)
        index = np.searchsorted(self.time_ns, at_ns, side="right") - 1
        last = np.maximum(index, 0)
        age_ns = at_ns - self.time_ns[last]
        limit_ns = int((self.stale_after_s if max_age_s is None else max_age_s) * 1e9)
        return np.where((index >= 0) & (age_ns <= limit_ns) & self.valid[last], self.value[last], np.nan)


@dataclass(frozen=True, slots=True)
class Source:
    """A log file as read. dropped, notes and damage are the reader's (see `decoder.frames.ReadReport`)."""

    name: str
    sha256: str
    format: str
    bytes: int
    frames: int
    absolute_time: bool
    dropped: Mapping[str, int] = field(default_factory=dict)
    skipped: Mapping[str, int] = field(default_factory=dict)
    damage: tuple[Damage, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without a sample [ns]; role "" means that no frame at all was seen."""

    role: str
    start_ns: int
    end_ns: int

    @property
    def seconds(self) -> float:
        return (self.end_ns - self.start_ns) / 1e9


@dataclass(frozen=True, slots=True)
class Faults:
    """What is wrong with a recording's data.

    rejected: frames seen but not decoded, by kind ("lin_checksum", "lin_parity", "lin_no_response", "truncated",
    "error_frame", "remote_frame"; of messages that the platform says are protected in their payload "payload_checksum",
    "payload_counter", "payload_short"), and "unreadable": records that the readers had to drop.
    gaps: longer than ten of the signal's own periods and over one second.
    clock_steps_ns: instants where time ran backwards or jumped; nothing is integrated across them.
    frozen: roles whose value never changed although it should. never_seen: roles bound but without a sample.
    unknown_identifiers: (channel, identifier) -> frames that no database defines.
    """

    rejected: Mapping[str, int] = field(default_factory=dict)
    gaps: tuple[Gap, ...] = ()
    clock_steps_ns: tuple[int, ...] = ()
    frozen: tuple[str, ...] = ()
    never_seen: tuple[str, ...] = ()
    unknown_identifiers: Mapping[tuple[str, int], int] = field(default_factory=dict)
    response_error_edges: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """Everything the logs say of one vehicle.

    start_ns, end_ns: first and last frame. absolute_time: False where no log knows the date (times count from 0).
    frames: all frames read; frames_decoded: those that gave at least one role a sample.
    """

    start_ns: int
    end_ns: int
    absolute_time: bool
    frames: int
    frames_decoded: int
    traces: Mapping[str, Trace]
    sources: tuple[Source, ...] = ()
    faults: Faults = field(default_factory=Faults)

    @property
    def duration_s(self) -> float:
        return (self.end_ns - self.start_ns) / 1e9
