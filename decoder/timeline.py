"""The clock of each log, and how several logs lie on one line of time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from decoder.frames import BoolArray, Int64Array
from decoder.logs.rows import MAX_TIME_NS
from decoder.recording import Gap

SECOND = 1_000_000_000
BACKWARDS_NS = SECOND  # frames of several channels may be written this far out of order; common practice, no source
ABSURD_NS = 366 * 86_400 * SECOND  # no vehicle is logged across a longer silence in one file
DATED_NS = 631_152_000 * SECOND  # 1990-01-01 UTC: a time before it counts from a log's start, or was never set
PAUSE_NS = SECOND  # a stretch without any frame longer than this is told
MAX_STEPS = 100  # segments of one log; a clock that jumps oftener is held, not followed
MAX_GAPS = 10_000
JOIN_NS = SECOND  # between two logs or segments that are only known to follow each other


@dataclass(slots=True)
class Segment:
    """A part of a log whose clock runs on. start, end [ns] as logged; shift [ns] is added to get the recording's time.

    joined: its place is only known to be after the segment before it.
    """

    start: int
    end: int
    frames: int = 0
    pauses: list[tuple[int, int]] = field(default_factory=list)
    shift: int = 0
    joined: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Rows first to last (exclusive) of a batch that lie in one segment of the log."""

    first: int
    last: int
    segment: int


@dataclass(slots=True)
class LogClock:
    """Follows the clock of one log, batch by batch. last: time of the last frame [ns]."""

    segments: list[Segment] = field(default_factory=list)
    last: int = 0

    def outliers(self, time_ns: Int64Array) -> BoolArray | None:
        """Frames whose time lies far off between neighbours that fit each other; None if there are none."""
        step = np.diff(time_ns)
        possible = time_ns.min(initial=0) >= -ABSURD_NS and time_ns.max(initial=0) <= MAX_TIME_NS
        if possible and not _has_jump(step):
            return None
        wild = (time_ns < -ABSURD_NS) | (time_ns > MAX_TIME_NS)
        jump = (step < -BACKWARDS_NS) | (step > ABSURD_NS)
        if len(time_ns) > 2:
            across = time_ns[2:] - time_ns[:-2]
            wild[1:-1] |= jump[:-1] & jump[1:] & (across >= -BACKWARDS_NS) & (across <= ABSURD_NS)
        if self.segments and len(time_ns) > 1 and jump[0]:
            before = time_ns[1] - self.last
            wild[0] |= -BACKWARDS_NS <= before <= ABSURD_NS
        return wild if wild.any() else None

    def follow(self, time_ns: Int64Array) -> list[Part]:
        """Split the next batch where the clock jumps; every part belongs to a segment."""
        if not len(time_ns):
            return []
        step = np.diff(time_ns)
        breaks: list[int] = []
        if _has_jump(step):
            jumps = np.flatnonzero((step < -BACKWARDS_NS) | (step > ABSURD_NS)) + 1
            breaks = jumps[:MAX_STEPS].tolist()
        parts: list[Part] = []
        for first, last in zip([0, *breaks], [*breaks, len(time_ns)], strict=True):
            span = time_ns[first:last]
            if not self.segments or (self._jumps(int(span[0])) and len(self.segments) < MAX_STEPS):
                self.segments.append(Segment(int(span[0]), int(span[0])))
            self._extend(self.segments[-1], span, step[first : last - 1])
            self.last = int(span[-1])
            parts.append(Part(first, last, len(self.segments) - 1))
        return parts

    def _jumps(self, time: int) -> bool:
        """Whether the clock would jump if the next frame had that time."""
        step = time - self.last
        return step < -BACKWARDS_NS or step > ABSURD_NS

    @staticmethod
    def _extend(segment: Segment, span: Int64Array, step: Int64Array) -> None:
        if segment.frames and int(span[0]) - segment.end > PAUSE_NS:
            segment.pauses.append((segment.end, int(span[0])))
        if step.max(initial=0) > PAUSE_NS:
            rows = np.flatnonzero(step > PAUSE_NS)[:MAX_GAPS]
            segment.pauses.extend(zip(span[rows].tolist(), span[rows + 1].tolist(), strict=True))
        segment.frames += len(span)
        segment.start = min(segment.start, int(span.min()))
        segment.end = max(segment.end, int(span.max()))


def _has_jump(step: Int64Array) -> bool:
    return bool(step.min(initial=0) < -BACKWARDS_NS or step.max(initial=0) > ABSURD_NS)


@dataclass(frozen=True, slots=True)
class Line:
    """All logs on one line of time. steps_ns: where a clock jumped, or the distance of two logs is not known."""

    start_ns: int
    end_ns: int
    absolute: bool
    steps_ns: tuple[int, ...]
    gaps: tuple[Gap, ...]
    notes: tuple[str, ...] = ()


def place(clocks: Sequence[LogClock]) -> Line:
    """Give every segment of every log its shift, and tell the steps and the stretches without any frame.

    A log that knows the date stays where it is. In a log whose clock jumped the longest segment stays, the others stay
    if they lie apart from it by less than a year, else they are joined to it in the order of the file. Logs without a
    date are joined to the end in the order given (one alone keeps its time).
    """
    steps: set[int] = set()
    notes: list[str] = []
    dated = [clock for clock in clocks if is_dated(clock)]
    undated = [clock for clock in clocks if clock.segments and not is_dated(clock)]
    for clock in clocks:
        steps |= _join_segments(clock)
    end = max((_end(segment) for clock in dated for segment in clock.segments), default=None)
    for clock in undated:
        start = min(_start(segment) for segment in clock.segments)
        if end is not None:
            shift = end + JOIN_NS - start
            for segment in clock.segments:
                segment.shift += shift
            steps = {step for step in steps if step not in _starts(clock, shift)} | _starts(clock) | {start + shift}
        end = max(_end(segment) for segment in clock.segments)
    if undated and len(dated) + len(undated) > 1:
        notes.append("Logs without a date were put after the others in the order given; the time between is not known.")
    segments = [segment for clock in clocks for segment in clock.segments]
    if not segments:
        return Line(0, 0, False, (), ())
    start, end = min(map(_start, segments)), max(map(_end, segments))
    return Line(start, end, bool(dated), tuple(sorted(steps)), _common_pauses(segments), tuple(notes))


def is_dated(clock: LogClock) -> bool:
    """Whether the log knows the date: the longest part of it lies after 1990, which no time from a log's start does."""
    return bool(clock.segments) and max(clock.segments, key=lambda one: one.frames).end > DATED_NS


def _start(segment: Segment) -> int:
    return segment.start + segment.shift


def _end(segment: Segment) -> int:
    return segment.end + segment.shift


def _starts(clock: LogClock, less: int = 0) -> set[int]:
    """Where all segments but the first begin, before a shift that was already added."""
    return {_start(segment) - less for segment in clock.segments[1:]}


def _join_segments(clock: LogClock) -> set[int]:
    """Place the segments of one log; returns where its clock stepped."""
    segments = clock.segments
    if len(segments) < 2:
        return set()
    anchor = max(range(len(segments)), key=lambda index: segments[index].frames)
    steps: set[int] = set()
    for index in [*range(anchor - 1, -1, -1), *range(anchor + 1, len(segments))]:
        near = segments[index + 1] if index < anchor else segments[index - 1]
        own = segments[index]
        apart = own.end < _start(near) or own.start > _end(near)
        far = max(_start(near) - own.end, own.start - _end(near)) > ABSURD_NS
        if not apart or far or not is_dated(clock):
            own.shift = _start(near) - JOIN_NS - own.end if index < anchor else _end(near) + JOIN_NS - own.start
            own.joined = True
    for index, segment in enumerate(segments):
        if index:
            steps.add(_start(segment))
    return steps


def _common_pauses(segments: Sequence[Segment]) -> tuple[Gap, ...]:
    """Stretches in which no log has a frame, between the first and the last frame of all."""
    busy: list[tuple[int, int]] = []
    for segment in segments:
        at = _start(segment)
        for pause_start, pause_end in sorted(segment.pauses):
            busy.append((at, pause_start + segment.shift))
            at = pause_end + segment.shift
        busy.append((at, _end(segment)))
    busy.sort()
    gaps: list[Gap] = []
    until = busy[0][1]
    for start, end in busy:
        if start - until > PAUSE_NS:
            gaps.append(Gap("", until, start))
        until = max(until, end)
    gaps.sort(key=lambda gap: gap.start_ns - gap.end_ns)
    return tuple(sorted(gaps[:MAX_GAPS], key=lambda gap: gap.start_ns))
