"""Pieces of all logs to one trace a role: clocks aligned, unsound frames and frames seen twice left out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from decoder.collect import Collector, Piece, sound_frames
from decoder.frames import BoolArray, Int64Array
from decoder.lin import CLASSIC, ENHANCED
from decoder.recording import Trace
from decoder.timeline import LogClock
from signal_defs.layout import MessageLayout
from signal_defs.platform import Binding

SAME_TIME_NS = 1000  # two logs of one bus round the time of a frame differently, by up to a microsecond


@dataclass(slots=True)
class Merged:
    """traces: one a role that has a sample. decoded: frames that gave a role a sample. rejected: by kind, beside."""

    traces: dict[str, Trace] = field(default_factory=dict)
    decoded: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)


def merge(collector: Collector, clocks: Sequence[LogClock]) -> Merged:
    """One trace a role from all that was collected; clocks: of each log, placed. Frees the pieces as it goes."""
    merged = Merged()
    for target in list(collector.pieces):
        pieces = collector.pieces.pop(target)
        if pieces:
            message = collector.index.targets[target].message
            _merge_message(message, pieces, collector.bindings, clocks, merged)
    return merged


def _merge_message(
    message: MessageLayout,
    pieces: Sequence[Piece],
    bindings: Mapping[str, Binding],
    clocks: Sequence[LogClock],
    merged: Merged,
) -> None:
    time_ns = np.concatenate([one.time_ns + clocks[one.log].segments[one.segment].shift for one in pieces])
    keep = _sound(message, pieces, merged)
    _keep_one_sender(message, pieces, keep, merged)
    if all(one.mark is not None for one in pieces):
        again = _seen_before(pieces, time_ns) & keep
        if again.any():
            merged.rejected["duplicate"] += int(np.count_nonzero(again))
            keep &= ~again
    truncated = sum(one.truncated for one in pieces)
    if truncated:
        merged.rejected["truncated"] += truncated
    decoded = np.zeros(len(time_ns), np.bool_)
    starts = np.cumsum([0, *(len(one.time_ns) for one in pieces)]).tolist()
    everything = bool(keep.all())
    for role in pieces[0].samples:
        rows = _role_rows(role, pieces, starts)
        value = np.concatenate([one.samples[role].value for one in pieces])
        valid = np.concatenate([one.samples[role].valid for one in pieces])
        times = time_ns if rows is None else time_ns[rows]
        if not everything:
            kept = keep if rows is None else keep[rows]
            value, valid, times = value[kept], valid[kept], times[kept]
        if not len(times):
            continue
        decoded[slice(None) if rows is None else rows] = True
        if role in merged.traces:  # a message of the same name on another identifier
            before = merged.traces[role]
            times = np.concatenate([before.time_ns, times])
            value, valid = np.concatenate([before.value, value]), np.concatenate([before.valid, valid])
        if (times[1:] < times[:-1]).any():
            order = np.argsort(times, kind="stable")
            value, valid, times = value[order], valid[order], times[order]
        binding = bindings[role]
        labels = dict(message.signal(binding.signal).choices) if binding.role.kind == "state" else {}
        merged.traces[role] = Trace(role, binding.source, binding.role.unit, times, value, valid, labels)
    merged.decoded += int(np.count_nonzero(decoded & keep))


def _role_rows(role: str, pieces: Sequence[Piece], starts: Sequence[int]) -> Int64Array | None:
    """The message's frames that carry a role; None for all."""
    rows = [one.samples[role].rows for one in pieces]
    if all(one is None for one in rows):
        return None
    return np.concatenate(
        [
            np.arange(start, end) if own is None else own + start
            for own, start, end in zip(rows, starts[:-1], starts[1:], strict=True)
        ]
    )


def _sound(message: MessageLayout, pieces: Sequence[Piece], merged: Merged) -> BoolArray:
    """Which frames of a message keep their LIN checksum; all on CAN."""
    if pieces[0].verdict is None:
        return np.ones(sum(len(one.time_ns) for one in pieces), np.bool_)
    verdict = np.concatenate([one.verdict for one in pieces if one.verdict is not None])
    tally = np.bincount(verdict, minlength=5)
    keep, kind = sound_frames(message, verdict, tally)
    if tally[CLASSIC] + tally[ENHANCED] and message.checksum not in {"unknown", kind}:
        merged.notes.append(
            f"Message {message.name}: its frames carry the {kind} checksum, the definition says {message.checksum}."
        )
    if not keep.all():
        merged.rejected["lin_checksum"] += int(np.count_nonzero(~keep))
    return keep


def _keep_one_sender(message: MessageLayout, pieces: Sequence[Piece], keep: BoolArray, merged: Merged) -> None:
    """Where several senders send one parameter group, keep the one the definition names, else the most frequent."""
    if pieces[0].sender is None:
        return
    sender = np.concatenate([one.sender for one in pieces if one.sender is not None])
    count = np.bincount(sender[keep], minlength=256)
    if np.count_nonzero(count) < 2:
        return
    defined = message.identifier & 0xFF
    chosen = defined if count[defined] else int(np.argmax(count))
    others = keep & (sender != chosen)
    keep &= ~others
    merged.rejected["other_sender"] += int(np.count_nonzero(others))
    addresses = ", ".join(f"0x{address:02X}" for address in np.flatnonzero(count)[:8].tolist())
    merged.notes.append(f"Message {message.name} has several senders ({addresses}); 0x{chosen:02X} was taken.")


def _seen_before(pieces: Sequence[Piece], time_ns: Int64Array) -> BoolArray:
    """Frames that another log, given before, holds too: same time, identifier and payload."""
    log = np.concatenate([np.full(len(one.time_ns), one.log) for one in pieces])
    again = np.zeros(len(time_ns), np.bool_)
    shared = _shared_span(log, time_ns)
    if not len(shared):
        return again
    mark: NDArray[np.uint64] = np.concatenate([one.mark for one in pieces if one.mark is not None])[shared]
    instant = (time_ns[shared] + SAME_TIME_NS // 2) // SAME_TIME_NS
    order = np.lexsort((log[shared], mark, instant))
    instant, mark, logs = instant[order], mark[order], log[shared][order]
    new = np.ones(len(order), np.bool_)
    new[1:] = (instant[1:] != instant[:-1]) | (mark[1:] != mark[:-1])
    first_log = logs[new][np.cumsum(new) - 1]
    again[shared[order[logs != first_log]]] = True
    return again


def _shared_span(log: Int64Array, time_ns: Int64Array) -> Int64Array:
    """Rows whose time lies in the span of more than one log."""
    spans = [(int(time_ns[log == one].min()), int(time_ns[log == one].max())) for one in np.unique(log)]
    if len(spans) < 2:
        return np.empty(0, np.int64)
    cover = np.zeros(len(time_ns), np.int64)
    for start, end in spans:
        cover += (time_ns >= start - SAME_TIME_NS) & (time_ns <= end + SAME_TIME_NS)
    return np.flatnonzero(cover > 1)
