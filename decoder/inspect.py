"""What is in a log, without any definitions: formats, channels, identifiers, rates, gaps, errors, damage."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from decoder.frames import NOT_DATA, Damage, Flag, FrameBatch, Int64Array
from decoder.keys import OVERFLOW, KeyTable
from decoder.lin import CLASSIC, ENHANCED, NEITHER, checksum_verdicts
from decoder.logs import ReadOptions, open_log
from decoder.recording import Gap
from decoder.route import frame_keys, key_parts, kinds_of, with_channels
from decoder.timeline import LogClock, is_dated, place
from signal_defs.errors import UsageError

_VERDICTS = 4  # NEITHER, CLASSIC, ENHANCED, NOT_LOGGED


@dataclass(frozen=True, slots=True)
class IdentifierSummary:
    """The data frames of one identifier on one channel.

    rate_hz: frames a second between its first and last; None with one frame. period_*_s: shortest, mean and longest
    time between two; None with one frame. lengths: shortest and longest payload [bytes]. checksum: LIN only,
    "classic", "enhanced", "mixed", "wrong" (fits neither), "" where not logged. bad_checksums: frames that fit neither.
    """

    channel: str
    identifier: int
    extended: bool
    lin: bool
    fd: bool
    frames: int
    first_ns: int
    last_ns: int
    rate_hz: float | None
    period_min_s: float | None
    period_mean_s: float | None
    period_max_s: float | None
    lengths: tuple[int, int]
    checksum: str = ""
    bad_checksums: int = 0


@dataclass(frozen=True, slots=True)
class ChannelSummary:
    """One channel, LIN frames apart from CAN frames. errors: frames that are no data, by kind."""

    name: str
    lin: bool
    frames: int
    identifiers: int
    errors: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class LogInspection:
    """One log. frames: all handed out by the reader. start_ns, end_ns: as logged; absolute_time: they are UTC.

    gaps: over one second without any data frame. clock_steps_ns: where its clock jumped. backward: data frames whose
    time lies before that of the one logged before them, by however little; backward_s: by how much at most;
    backward_at_ns: the time as logged from which that step goes back. other_identifiers: frames of identifiers past the
    number that is listed. errors: frames that are no data, by kind. The rest is the reader's.
    """

    name: str
    format: str
    bytes: int
    frames: int
    start_ns: int
    end_ns: int
    absolute_time: bool
    channels: tuple[ChannelSummary, ...]
    identifiers: tuple[IdentifierSummary, ...]
    gaps: tuple[Gap, ...] = ()
    clock_steps_ns: tuple[int, ...] = ()
    backward: int = 0
    backward_s: float = 0.0
    backward_at_ns: int | None = None
    errors: dict[str, int] = field(default_factory=dict)
    dropped: dict[str, int] = field(default_factory=dict)
    skipped: dict[str, int] = field(default_factory=dict)
    damage: tuple[Damage, ...] = ()
    notes: tuple[str, ...] = ()
    other_identifiers: int = 0

    @property
    def duration_s(self) -> float:
        return (self.end_ns - self.start_ns) / 1e9


@dataclass(frozen=True, slots=True)
class Inspection:
    """All logs that were named, in that order."""

    logs: tuple[LogInspection, ...]

    @property
    def frames(self) -> int:
        return sum(log.frames for log in self.logs)


def inspect_logs(paths: Sequence[str | Path], *, options: ReadOptions | None = None) -> Inspection:
    """What is in each log. Raises LogError if one cannot be read, UsageError if none is named."""
    if not paths:
        raise UsageError("No log is given.", mend="Name at least one log file.")
    return Inspection(tuple(_inspect(path, options) for path in paths))


def _inspect(path: str | Path, options: ReadOptions | None) -> LogInspection:
    log = open_log(path, options=options)
    tally = _Tally()
    clock, backward = LogClock(), _Backward()
    errors: dict[tuple[int, bool], Counter[str]] = {}
    channels: tuple[str, ...] = ()
    frames = 0
    for batch in log.batches():
        batch = with_channels(batch, channels)  # noqa: PLW2901  # one numbering for the whole log
        channels = batch.channels
        frames += len(batch)
        no_data = (batch.flags & NOT_DATA) != 0
        if no_data.any():
            _count_errors(batch.take(no_data), errors)
            batch = batch.take(~no_data)  # noqa: PLW2901  # from here on only data frames count
        clock.follow(batch.time_ns)
        backward.follow(batch.time_ns)
        tally.add(batch)
    line = place([clock])
    report = log.report
    identifiers = tally.summaries(channels)
    return LogInspection(
        name=Path(path).name,
        format=report.format,
        bytes=Path(path).stat().st_size if Path(path).is_file() else 0,
        frames=frames,
        start_ns=min((one.start for one in clock.segments), default=0),
        end_ns=max((one.end for one in clock.segments), default=0),
        absolute_time=is_dated(clock),
        channels=_channel_summaries(channels, identifiers, errors),
        identifiers=identifiers,
        gaps=line.gaps,
        clock_steps_ns=line.steps_ns,
        backward=backward.steps,
        backward_s=backward.widest / 1e9,
        backward_at_ns=backward.at,
        errors=dict(sum(errors.values(), Counter())),
        dropped=dict(report.dropped),
        skipped=dict(report.skipped),
        damage=tuple(report.damage),
        notes=tuple(report.notes),
        other_identifiers=tally.overflow,
    )


@dataclass(slots=True)
class _Backward:
    """How often, how far at most [ns] and from where [ns] the time of a log runs backward."""

    steps: int = 0
    widest: int = 0
    at: int | None = None
    _last: Int64Array = field(default_factory=lambda: np.zeros(0, np.int64))

    def follow(self, time_ns: Int64Array) -> None:
        times = np.concatenate([self._last, time_ns])
        self._last = times[-1:].copy()
        step = np.diff(times)
        steps = int(np.count_nonzero(step < 0))
        if not steps:
            return
        self.steps += steps
        row = int(np.argmin(step))
        if -int(step[row]) > self.widest:
            self.widest, self.at = -int(step[row]), int(times[row])


_NEW = {  # the figures of a key that has not been seen
    **dict.fromkeys(("frames", "first", "last", "most", "fd", "verdicts"), 0),
    "shortest": np.iinfo(np.int64).max,
    "longest": -1,
    "least": 255,
}


@dataclass(slots=True)
class _Tally:
    """Running figures of every key; all columns grow together, one row a key."""

    keys: KeyTable = field(default_factory=KeyTable)
    frames: Int64Array = field(default_factory=lambda: np.zeros(0, np.int64))
    first: Int64Array = field(default_factory=lambda: np.zeros(0, np.int64))
    last: Int64Array = field(default_factory=lambda: np.zeros(0, np.int64))
    shortest: Int64Array = field(default_factory=lambda: np.zeros(0, np.int64))
    longest: Int64Array = field(default_factory=lambda: np.zeros(0, np.int64))
    least: NDArray[np.uint8] = field(default_factory=lambda: np.zeros(0, np.uint8))
    most: NDArray[np.uint8] = field(default_factory=lambda: np.zeros(0, np.uint8))
    fd: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    verdicts: Int64Array = field(default_factory=lambda: np.zeros((0, _VERDICTS), np.int64))
    overflow: int = 0

    def add(self, batch: FrameBatch) -> None:
        number = self.keys.number(frame_keys(batch))
        for name, fill in _NEW.items():
            column = getattr(self, name)
            more = np.full((len(self.keys) - len(column), *column.shape[1:]), fill, column.dtype)
            setattr(self, name, np.concatenate([column, more]))
        beyond = number == OVERFLOW
        if beyond.any():
            self.overflow += int(beyond.sum())
            batch, number = batch.take(~beyond), number[~beyond]
        if not len(batch):
            return
        order = np.argsort(number.astype(np.uint16), kind="stable")
        sorted_number = number[order]
        starts = np.flatnonzero(np.diff(sorted_number, prepend=-1))
        own = sorted_number[starts]
        ends = np.append(starts[1:], len(order)) - 1
        time = batch.time_ns[order]
        step = np.diff(time, prepend=time[:1])
        seen = self.frames[own] > 0
        step[starts] = np.where(seen, time[starts] - self.last[own], -1)
        known = step.copy()
        known[starts[~seen]] = np.iinfo(np.int64).max  # the first frame of a key has no period
        self.shortest[own] = np.minimum(self.shortest[own], np.maximum(np.minimum.reduceat(known, starts), 0))
        self.longest[own] = np.maximum(self.longest[own], np.maximum.reduceat(step, starts))
        self.first[own] = np.where(seen, self.first[own], time[starts])
        self.last[own] = time[ends]
        self.frames[own] += ends - starts + 1
        length = batch.length[order]
        self.least[own] = np.minimum(self.least[own], np.minimum.reduceat(length, starts))
        self.most[own] = np.maximum(self.most[own], np.maximum.reduceat(length, starts))
        self.fd[own] |= np.logical_or.reduceat((batch.flags[order] & Flag.FD) != 0, starts)
        self._judge_lin(batch, number)

    def _judge_lin(self, batch: FrameBatch, number: Int64Array) -> None:
        lin = (batch.flags & Flag.LIN) != 0
        if batch.checksum is None or not lin.any():
            return
        verdict = checksum_verdicts(batch.identifier[lin], batch.payload[lin], batch.checksum[lin])
        counted = np.bincount(
            number[lin].astype(np.int64) * _VERDICTS + verdict, minlength=len(self.frames) * _VERDICTS
        )
        self.verdicts += counted.reshape(-1, _VERDICTS)

    def summaries(self, channels: tuple[str, ...]) -> tuple[IdentifierSummary, ...]:
        rows = [self._summary(row, key, channels) for row, key in enumerate(self.keys.keys.tolist())]
        return tuple(sorted(rows, key=lambda one: (one.channel, one.lin, one.extended, one.identifier)))

    def _summary(self, row: int, key: int, channels: tuple[str, ...]) -> IdentifierSummary:
        identifier, extended, lin, channel = key_parts(key)
        frames = int(self.frames[row])
        span_s = int(self.last[row] - self.first[row]) / 1e9
        several = frames > 1
        verdict = self.verdicts[row]
        return IdentifierSummary(
            channel=channels[channel] if channel < len(channels) else "",
            identifier=identifier,
            extended=extended,
            lin=lin,
            fd=bool(self.fd[row]),
            frames=frames,
            first_ns=int(self.first[row]),
            last_ns=int(self.last[row]),
            rate_hz=(frames - 1) / span_s if several and span_s > 0 else None,
            period_min_s=int(self.shortest[row]) / 1e9 if several else None,
            period_mean_s=span_s / (frames - 1) if several else None,
            period_max_s=int(self.longest[row]) / 1e9 if several else None,
            lengths=(int(self.least[row]), int(self.most[row])),
            checksum=_checksum_word(verdict),
            bad_checksums=int(verdict[NEITHER]),
        )


def _checksum_word(verdict: Int64Array) -> str:
    classic, enhanced = verdict[CLASSIC] > 0, verdict[ENHANCED] > 0
    if classic and enhanced:
        return "mixed"
    if classic or enhanced:
        return "classic" if classic else "enhanced"
    return "wrong" if verdict[NEITHER] else ""


def _count_errors(batch: FrameBatch, errors: dict[tuple[int, bool], Counter[str]]) -> None:
    lin = (batch.flags & Flag.LIN) != 0
    for channel in np.unique(batch.channel).tolist():
        for is_lin in (False, True):
            rows = (batch.channel == channel) & (lin == is_lin)
            if rows.any():
                errors.setdefault((channel, is_lin), Counter()).update(kinds_of(batch.flags[rows]))


def _channel_summaries(
    channels: tuple[str, ...],
    identifiers: Sequence[IdentifierSummary],
    errors: dict[tuple[int, bool], Counter[str]],
) -> tuple[ChannelSummary, ...]:
    by_place: dict[tuple[str, bool], list[IdentifierSummary]] = {}
    for one in identifiers:
        by_place.setdefault((one.channel, one.lin), []).append(one)
    named_errors = {(channels[at] if at < len(channels) else "", lin): kinds for (at, lin), kinds in errors.items()}
    return tuple(
        ChannelSummary(
            name,
            lin,
            sum(one.frames for one in by_place.get((name, lin), ())),
            len(by_place.get((name, lin), ())),
            dict(named_errors.get((name, lin), {})),
        )
        for name, lin in sorted(by_place.keys() | named_errors.keys())
    )
