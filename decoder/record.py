"""Log files to a recording: all logs of one vehicle read, routed, unpacked, merged."""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from decoder.collect import Collector
from decoder.faults import gaps_of, is_frozen, never_seen, response_error_edges
from decoder.frames import FrameBatch, ReadReport
from decoder.gather import gather
from decoder.logs import Log, ReadOptions, open_log
from decoder.merge import Merged, merge
from decoder.recording import Faults, Recording, Source
from decoder.route import UNKNOWN, MessageIndex, Routed, Router
from decoder.timeline import Line, LogClock, Part, is_dated, place
from signal_defs.errors import LogError, UsageError
from signal_defs.platform import Platform

Progress = Callable[[str, int, int], None]
MAX_UNKNOWN = 1000  # identifiers that no database defines, the most frequent are kept


@dataclass(slots=True)
class ReadLog:
    """One log as it was read."""

    path: str
    sha256: str
    size: int
    report: ReadReport
    router: Router
    clock: LogClock
    frames: int = 0
    bad_times: int = 0
    notes: list[str] = field(default_factory=list)


def record(
    paths: Sequence[str | Path],
    platform: Platform,
    *,
    progress: Progress | None = None,
    options: ReadOptions | None = None,
) -> Recording:
    """All logs of one vehicle as one recording.

    paths: in any order; logs that overlap are not counted twice, a file given twice is read once. progress: called with
    (name of the log, bytes of it read, bytes in all or 0 where that is not known). options: how the logs are read.
    Raises LogError if a log cannot be read or none holds anything that the platform's roles need, UsageError if no log
    is given.
    """
    if not paths:
        raise UsageError("No log is given.", mend="Name at least one log file.")
    index = MessageIndex(platform.buses)
    collector = Collector(index, platform.bindings, len(paths) > 1, platform.protections)
    logs: list[ReadLog] = []
    seen: dict[str, str] = {}
    twice: list[str] = []
    for path in paths:
        sha256 = hash_of(path)
        if sha256 and sha256 in seen:
            twice.append(f"{Path(path).name} is the same file as {seen[sha256]} and was read once.")
            continue
        seen[sha256] = Path(path).name
        logs.append(_read(path, sha256, index, collector, len(logs), options, progress))
    line = place([log.clock for log in logs])
    merged = merge(collector, [log.clock for log in logs])
    merged.rejected.update(collector.rejected)
    if not merged.decoded:
        raise nothing_decoded(logs, platform, merged.rejected)
    logs[0].notes.extend([*twice, *line.notes, *merged.notes])
    return _recording(platform, logs, line, merged)


def read_routed(log: ReadLog, batches: Iterable[FrameBatch]) -> Iterator[tuple[Routed, list[Part]]]:
    """Draw a log's batches, count its frames, follow its clock, and route what is data."""
    for batch in gather(batches):
        log.frames += len(batch)
        wild = log.clock.outliers(batch.time_ns)
        if wild is not None:
            log.bad_times += int(wild.sum())
        routed = log.router.route(batch if wild is None else batch.take(~wild))
        yield routed, log.clock.follow(routed.batch.time_ns)


def told(log: Log, progress: Progress | None) -> Iterator[FrameBatch]:
    """The log's batches; on the way `progress` is told the log's name, the bytes read and the bytes in all."""
    if progress is None:
        yield from log.batches()
        return
    name = Path(log.name).name
    done, total = log.extent()
    progress(name, 0, total)
    for batch in log.batches():
        yield batch
        done, total = log.extent()
        progress(name, min(done, total) if total else done, total)
    progress(name, total or done, total)


def hash_of(path: str | Path) -> str:
    """SHA-256 of a regular file's bytes in hexadecimal; empty for anything else, standard input among it."""
    if not Path(path).is_file():
        return ""
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def _read(
    path: str | Path,
    sha256: str,
    index: MessageIndex,
    collector: Collector,
    number: int,
    options: ReadOptions | None,
    progress: Progress | None,
) -> ReadLog:
    opened = open_log(path, options=options)
    size = Path(path).stat().st_size if sha256 else 0
    log = ReadLog(str(path), sha256, size, opened.report, Router(index), LogClock())
    for routed, parts in read_routed(log, told(opened, progress)):
        collector.add(routed, number, parts)
    if not sha256:
        log.sha256, log.size = opened.identity()
    return log


def _recording(platform: Platform, logs: Sequence[ReadLog], line: Line, merged: Merged) -> Recording:
    rejected = Counter(merged.rejected)
    unknown: Counter[tuple[str, int]] = Counter()
    for log in logs:
        rejected.update(log.router.rejected)
        if log.bad_times:
            rejected["bad_time"] += log.bad_times
        if log.report.dropped:
            rejected["unreadable"] += sum(log.report.dropped.values())
        for channel, identifier, _, frames, target in log.router.seen():
            if target == UNKNOWN:
                unknown[channel, identifier] += frames
    gaps = [gap for trace in merged.traces.values() for gap in gaps_of(trace)]
    faults = Faults(
        rejected=dict(rejected),
        gaps=tuple(sorted([*line.gaps, *gaps], key=lambda gap: (gap.start_ns, gap.role))),
        clock_steps_ns=line.steps_ns,
        frozen=tuple(role for role, trace in merged.traces.items() if is_frozen(trace)),
        never_seen=never_seen(platform.bindings, merged.traces),
        unknown_identifiers=dict(unknown.most_common(MAX_UNKNOWN)),
        response_error_edges=response_error_edges(merged.traces),
    )
    ordered = {role: merged.traces[role] for role in platform.bindings if role in merged.traces}
    return Recording(
        start_ns=line.start_ns,
        end_ns=line.end_ns,
        absolute_time=line.absolute,
        frames=sum(log.frames for log in logs),
        frames_decoded=merged.decoded,
        traces=ordered,
        sources=tuple(map(_source, sorted(logs, key=_begin))),
        faults=faults,
    )


def _begin(log: ReadLog) -> tuple[float, str]:
    """Where a log begins on the line of time; its hash settles a tie, so that the order of naming does not."""
    return min((one.start + one.shift for one in log.clock.segments), default=math.inf), log.sha256


def _source(log: ReadLog) -> Source:
    report = log.report
    return Source(
        name=Path(log.path).name,
        sha256=log.sha256,
        format=report.format,
        bytes=log.size,
        frames=log.frames,
        absolute_time=is_dated(log.clock),
        dropped=dict(report.dropped),
        skipped=dict(report.skipped),
        damage=tuple(report.damage),
        notes=(*report.notes, *log.router.notes, *log.notes),
    )


def nothing_decoded(logs: Sequence[ReadLog], platform: Platform, rejected: Mapping[str, int]) -> LogError:
    """The likely cause, from what is in the logs and what the platform expects."""
    names = ", ".join(Path(log.path).name for log in logs)
    frames = sum(log.frames for log in logs)
    total = Counter(rejected)
    for log in logs:
        total.update(log.router.rejected)
    lost = ", ".join(f"{count} {kind.replace('_', ' ')}" for kind, count in total.most_common(5))
    if not frames:
        dropped = ", ".join(f"{n} {kind.replace('_', ' ')}" for log in logs for kind, n in log.report.dropped.items())
        return LogError(
            f"The log holds no frame{f' ({dropped} dropped)' if dropped else ''}.",
            where=names,
            mend="Record again, or export the whole log from the logger's own program.",
        )
    if sum(total.values()) >= frames:
        return LogError(
            f"None of the {frames} frames could be used: {lost}.",
            where=names,
            mend="Check the wiring and bit rate of the logger, and the platform's definition of this bus.",
        )
    expected = "; ".join(
        f'bus "{bus.name}" ({bus.kind}{", channels " + ", ".join(bus.channels) if bus.channels else ""})'
        for bus in platform.buses
    )
    found = "; ".join(_channel_summary(log) for log in logs[:3])
    return LogError(
        f'None of the {frames} frames is a message that platform "{platform.id}" needs{f" ({lost})" if lost else ""}. '
        f"In the log: {found}.",
        where=names,
        mend=f"Choose the platform of this vehicle, or correct the channels in platform.toml; it expects {expected}.",
    )


def _channel_summary(log: ReadLog) -> str:
    """Each channel with its most frequent identifiers, and how many of them the platform's nearest bus defines."""
    seen: dict[str, list[tuple[int, int, bool]]] = {}
    for channel, identifier, extended, frames, _ in log.router.seen():
        seen.setdefault(channel, []).append((frames, identifier, extended))
    parts = []
    for channel, rows in list(seen.items())[:6]:
        rows.sort(reverse=True)
        top = ", ".join(f"0x{identifier:X}" for _, identifier, _ in rows[:6])
        near = ""
        if log.router.index.buses:
            known = {
                bus.name: sum(
                    log.router.index.find(number, identifier, extended, False) != UNKNOWN
                    for _, identifier, extended in rows
                )
                for number, bus in enumerate(log.router.index.buses)
            }
            best = max(known, key=lambda name: known[name])
            near = f', {known[best]} of them known to bus "{best}"' if known[best] else ", none known to any bus"
        parts.append(
            f'channel "{channel}" with {len(rows)} identifiers ({top}{", ..." if len(rows) > 6 else ""}{near})'
        )
    return "; ".join(parts) or "no data frame"
