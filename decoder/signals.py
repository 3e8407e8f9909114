"""Every signal of a log, batch by batch: what `decode` writes."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from decoder.collect import lin_verdicts, role_samples, sound_frames
from decoder.frames import BoolArray, FloatArray, FrameBatch, Int64Array, ReadReport
from decoder.guard import Guard, guards_of
from decoder.logs import ReadOptions, open_log
from decoder.places import MessageFrames, Places
from decoder.record import ReadLog, hash_of, nothing_decoded, read_routed, told
from decoder.route import MessageIndex, Router
from decoder.timeline import DATED_NS, LogClock, is_dated
from decoder.unpack import Unpacker
from signal_defs.errors import UsageError
from signal_defs.layout import MessageLayout, SignalLayout
from signal_defs.platform import Binding, Platform, signal_of

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Column:
    """A column that was asked for. binding: set where it was asked for as a role."""

    name: str
    unit: str
    bus: str
    message: str
    signal: SignalLayout
    binding: Binding | None = None


class SignalBatch(NamedTuple):
    """The samples of one column in one batch, in the order of the log.

    time_ns: (n,) as the log has it, UTC if absolute. value: (n,) physical, or in the role's unit and sign; kept also
    where it is not valid, NaN for a byte array. raw: (n,) as `decoder.unpack.Unpacked.raw`. valid: (n,).
    """

    column: Column
    source: str
    absolute: bool
    time_ns: Int64Array
    value: FloatArray
    valid: BoolArray
    raw: NDArray[Any]


@dataclass(slots=True)
class DecodeReport:
    """Filled while the batches are drawn. rejected: frames not decoded, by kind."""

    frames: int = 0
    decoded: int = 0
    samples: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)


def choose_columns(platform: Platform, roles: Sequence[str] = (), signals: Sequence[str] = ()) -> tuple[Column, ...]:
    """The columns for those roles and signals; every signal of every bus if neither is named.

    signals: "bus/message.signal", "message.signal" or the signal's name alone (all of that name). Raises UsageError for
    a name that the platform does not have, with the nearest ones it has.
    """
    every = {
        f"{bus.name}/{message.name}.{signal.name}": Column(
            f"{bus.name}/{message.name}.{signal.name}", signal.unit, bus.name, message.name, signal
        )
        for bus in platform.buses
        for message in bus.messages
        for signal in message.signals
    }
    if not roles and not signals:
        return tuple(every.values())
    chosen: dict[str, Column] = {}
    for role in roles:
        if role not in platform.bindings:
            raise _unknown("role", role, platform.bindings, platform)
        binding = platform.bindings[role]
        signal = signal_of(binding, platform.buses)
        chosen[role] = Column(role, binding.role.unit, binding.bus, binding.message, signal, binding)
    for wanted in signals:
        found = [name for name in every if name == wanted or name.endswith((f"/{wanted}", f".{wanted}"))]
        if not found:
            raise _unknown("signal", wanted, [*every, *(name.rpartition(".")[2] for name in every)], platform)
        chosen.update((name, every[name]) for name in found)
    return tuple(chosen.values())


def _unknown(kind: str, name: str, known: Mapping[str, Any] | Sequence[str], platform: Platform) -> UsageError:
    near = difflib.get_close_matches(name, list(known), 4, 0.4)
    hint = f"Nearest: {', '.join(near)}." if near else f"See what it has: idlewhy platform show {platform.id}."
    return UsageError(f'Platform "{platform.id}" has no {kind} "{name}".', mend=hint)


def decode_signals(
    paths: Sequence[str | Path],
    platform: Platform,
    select: Sequence[Column] | None = None,
    *,
    report: DecodeReport | None = None,
    progress: Progress | None = None,
    options: ReadOptions | None = None,
) -> Iterator[SignalBatch]:
    """The samples of the chosen columns (see `choose_columns`; None for all), one batch of one column after another.

    Logs are drawn one after another, those with a date in its order, the others as given; a file given twice is read
    once. Memory is bounded by one batch of frames. LIN frames with a wrong checksum are left out; the kind of checksum
    is settled by the frames seen so far. So are frames that fail the protection of their payload.
    options: how the logs are read.
    Raises LogError if a log cannot be read or none holds a chosen signal.
    """
    report = report if report is not None else DecodeReport()
    columns = choose_columns(platform) if select is None else tuple(select)
    index = MessageIndex(platform.buses)
    decoders = _decoders(index, columns, platform)
    places = Places(decoders, len(index.targets))
    logs: list[ReadLog] = []
    for path in _in_order(paths, options):
        opened = open_log(path, options=options)
        log = ReadLog(str(path), "", 0, opened.report, Router(index), LogClock())
        logs.append(log)
        for decoder in decoders.values():
            decoder.tally[:] = 0
        before = report.frames
        for routed, _ in read_routed(log, told(opened, progress)):
            report.frames = before + log.frames
            frames = places.of(routed.batch, routed.target)
            name, dated = Path(path).name, is_dated(log.clock)
            yield from _decode_batch(routed.batch, frames, len(logs), name, dated, decoders, report)
        report.rejected.update(log.router.rejected)
        notes = (*opened.report.notes, *log.router.notes, *_losses(Path(path).name, opened.report))
        report.notes.extend(note for note in notes if note not in report.notes)
    if not report.samples:
        raise nothing_decoded(logs, platform, report.rejected)


def _losses(name: str, read: ReadReport) -> list[str]:
    """What could not be read of a log, a sentence a kind of damage, with its first place."""
    first = {damage.what: damage.where for damage in reversed(read.damage)}
    return [
        f"{name}: {count} x {kind.replace('_', ' ')}{f', first at {first[kind]}' if kind in first else ''}."
        for kind, count in read.dropped.items()
    ]


@dataclass(slots=True)
class _Decoder:
    """Decodes one message. columns: those asked for. tally: of a LIN message's checksums in the log being read.

    guard: of a message that is protected in its payload.
    """

    message: MessageLayout
    is_lin: bool
    columns: list[Column]
    unpacker: Unpacker
    guard: Guard | None
    tally: NDArray[np.int64] = field(default_factory=lambda: np.zeros(5, np.int64))


def _decoders(index: MessageIndex, columns: Sequence[Column], platform: Platform) -> dict[int, _Decoder]:
    """One for each message that holds a column, by its number."""
    guards = guards_of(index, platform.protections)
    wanted: dict[tuple[str, str], list[Column]] = {}
    for column in columns:
        wanted.setdefault((column.bus, column.message), []).append(column)
    found: dict[int, _Decoder] = {}
    for number, target in enumerate(index.targets):
        bus = index.buses[target.bus]
        names = {signal.name for signal in target.message.signals}
        own = wanted.get((bus.name, target.message.name), ())
        fitting = [column for column in own if column.signal.name in names]
        if fitting:  # a database may define a message of one name for several identifiers
            unpacker = Unpacker(target.message, {column.signal.name for column in fitting})
            found[number] = _Decoder(target.message, bus.kind == "lin", fitting, unpacker, guards.get(number))
    return found


def _decode_batch(
    batch: FrameBatch,
    frames: Iterable[MessageFrames],
    log: int,
    source: str,
    absolute: bool,
    decoders: Mapping[int, _Decoder],
    report: DecodeReport,
) -> Iterator[SignalBatch]:
    for every in frames:
        decoder, own = decoders[every.target], every
        if decoder.is_lin:
            verdict = lin_verdicts(decoder.message, batch, own.rows, own.payload, own.length)
            decoder.tally += np.bincount(verdict, minlength=5)
            sound, _ = sound_frames(decoder.message, verdict, decoder.tally)
            if not sound.all():
                report.rejected["lin_checksum"] += int(np.count_nonzero(~sound))
                own = own.select(sound)
        if decoder.guard is not None:
            own = own.select(decoder.guard.sound(own.payload, own.length, log, report.rejected))
        unpacked = decoder.unpacker.unpack(own.payload, own.length)
        report.decoded += len(own.rows)
        truncated = max((one.truncated for one in unpacked.values()), default=0)
        if truncated:
            report.rejected["truncated"] += truncated
        for column in decoder.columns:
            one = unpacked[column.signal.name]
            if not len(one.value):
                continue
            value, valid = one.value, one.valid
            if column.binding is not None:
                samples = role_samples(column.binding, decoder.message.signal(column.signal.name), one)
                value, valid = samples.value, samples.valid
            report.samples += len(value)
            at = own.time_ns if one.rows is None else own.time_ns[one.rows]
            yield SignalBatch(column, source, absolute, at, value, valid, one.raw)


def _in_order(paths: Sequence[str | Path], options: ReadOptions | None) -> list[str | Path]:
    """The logs by the date of their first frame, those without a date after them; a file given twice once."""
    if not paths:
        raise UsageError("No log is given.", mend="Name at least one log file.")
    if len(paths) == 1:
        return list(paths)
    seen: set[str] = set()
    dated: list[tuple[int, int, str | Path]] = []
    undated: list[str | Path] = []
    for number, path in enumerate(paths):
        sha256 = hash_of(path)
        if sha256 in seen:
            continue
        seen |= {sha256} - {""}
        start = _first_instant(path, options) if sha256 else None
        if start is None:
            undated.append(path)
        else:
            dated.append((start, number, path))
    return [path for _, _, path in sorted(dated, key=lambda one: one[:2])] + undated


def _first_instant(path: str | Path, options: ReadOptions | None) -> int | None:
    """The time of a log's first frame [ns UTC]; None if it knows no date."""
    with open_log(path, options=replace(options or ReadOptions(), buffer_bytes=1 << 16)) as log:
        for batch in log.batches():
            if len(batch):
                first = int(batch.time_ns[0])
                return first if first > DATED_NS else None
    return None
