"""The messages of a platform as logs carry them: how often, how long, how their protection and their ranges fare."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from decoder.collect import lin_verdicts, sound_frames
from decoder.frames import ByteArray, Int64Array
from decoder.logs import ReadOptions, open_log
from decoder.record import ReadLog, read_routed
from decoder.route import UNKNOWN, MessageIndex, Routed, Router
from decoder.timeline import LogClock
from decoder.unpack import unpack
from signal_defs.layout import MessageLayout
from signal_defs.platform import Platform

MAX_PROTECTED = 500_000  # frames of a protected message that are looked at
MAX_STEPS = 200_000  # times between frames that are kept for the median


@dataclass(slots=True)
class Traffic:
    """One message in the logs. short: frames shorter than the definition. outside: signal -> (values out of the
    definition's range, lowest, highest of them). step_ns: times between its frames, within each log.
    """

    bus: str
    message: MessageLayout
    frames: int = 0
    short: int = 0
    shortest: int = 255
    outside: dict[str, tuple[int, float, float]] = field(default_factory=dict)
    step_ns: list[Int64Array] = field(default_factory=list)
    protected: list[ByteArray] = field(default_factory=list)
    _last_ns: int | None = None
    _kept: int = 0
    _steps: int = 0

    @property
    def periods_s(self) -> tuple[float, ...]:
        """The 10th, 25th and 50th percentile of the time between frames [s]; empty with fewer than ten.

        A bus that falls asleep sends less often; the small percentiles tell of it when it is awake.
        """
        steps = np.concatenate(self.step_ns) if self.step_ns else np.empty(0, np.int64)
        return tuple((np.percentile(steps, (10, 25, 50)) / 1e9).tolist()) if len(steps) >= 10 else ()

    def new_log(self) -> None:
        """Forget the last frame: the next is of another log."""
        self._last_ns = None

    def add(self, routed: Routed, rows: Int64Array, names: set[str], *, keep: bool) -> None:
        """Count the frames of one batch."""
        batch = routed.batch
        time_ns, length, payload = batch.time_ns[rows], batch.length[rows], batch.payload[rows]
        self.frames += len(rows)
        self.short += int((length < self.message.length).sum())
        self.shortest = min(self.shortest, int(length.min()))
        if self._steps < MAX_STEPS:
            first = time_ns[:1] if self._last_ns is None else np.array([self._last_ns])
            steps = np.diff(np.concatenate([first, time_ns]))
            self.step_ns.append(steps[steps > 0])
            self._steps += len(steps)
        self._last_ns = int(time_ns[-1])
        if keep and self._kept < MAX_PROTECTED:
            whole = payload[length >= self.message.length][:, : self.message.length]
            if len(whole):
                self.protected.append(whole)
            self._kept += len(whole)
        for name, one in unpack(self.message, payload, length, names).items():
            if one.outside:
                self._count_outside(name, one.value[~one.valid], one.outside)

    def _count_outside(self, name: str, values: np.ndarray, count: int) -> None:
        signal = self.message.signal(name)
        slack = abs(signal.scale) / 2
        low = -np.inf if signal.minimum is None else signal.minimum - slack
        high = np.inf if signal.maximum is None else signal.maximum + slack
        beyond = values[(values < low) | (values > high)]
        before = self.outside.get(name, (0, np.inf, -np.inf))
        least = min(before[1], float(beyond.min(initial=np.inf)))
        self.outside[name] = (before[0] + count, least, max(before[2], float(beyond.max(initial=-np.inf))))


def read_traffic(
    paths: Sequence[str | Path], platform: Platform, options: ReadOptions | None = None
) -> tuple[Traffic, ...]:
    """Every message of the platform that the logs hold. Raises LogError if a log cannot be read.

    LIN frames with a wrong checksum are left out, as everywhere.
    """
    index = MessageIndex(platform.buses)
    names: dict[tuple[str, str], set[str]] = {}
    for binding in platform.bindings.values():
        names.setdefault((binding.bus, binding.message), set()).add(binding.signal)
    kept = {(one.bus, one.message) for one in platform.protections}
    found: dict[int, Traffic] = {}
    for path in dict.fromkeys(str(path) for path in paths):
        for one in found.values():
            one.new_log()
        for routed, target, every in routed_frames(path, index, options):
            message, bus = index.targets[target].message, index.buses[index.targets[target].bus]
            rows = _sound(message, routed, every) if bus.kind == "lin" else every
            if len(rows):
                traffic = found.setdefault(target, Traffic(bus.name, message))
                key = (bus.name, message.name)
                wanted = names.get(key, set()) & {signal.name for signal in message.signals}
                traffic.add(routed, rows, wanted, keep=key in kept)
    return tuple(found[target] for target in sorted(found))


def routed_frames(
    path: str | Path, index: MessageIndex, options: ReadOptions | None
) -> Iterator[tuple[Routed, int, Int64Array]]:
    """Each batch of a log once for every message in it: the batch, the message's target, its rows."""
    opened = open_log(path, options=options)
    log = ReadLog(str(path), "", 0, opened.report, Router(index), LogClock())
    for routed, _ in read_routed(log, opened.batches()):
        for target in np.unique(routed.target[routed.target != UNKNOWN]).tolist():
            yield routed, target, np.flatnonzero(routed.target == target)


def _sound(message: MessageLayout, routed: Routed, rows: Int64Array) -> Int64Array:
    batch = routed.batch
    verdict = lin_verdicts(message, batch, rows, batch.payload[rows], batch.length[rows])
    sound, _ = sound_frames(message, verdict, np.bincount(verdict, minlength=5))
    return rows[sound]
