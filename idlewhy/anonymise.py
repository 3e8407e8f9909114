"""A log one may show: the same timing, and only the bits that the platform's roles need.

What goes: frames of every other message, every bit that no needed signal owns, dates and time of day, the logger's
names of channels, comments and markers, CAN error frames. What stays: when each needed frame came, its identifier and
length, the values of the roles, LIN headers without an answer and LIN frames with a fault. The platform is needed to
read the result, as it was to read the original.
"""

from __future__ import annotations

import gzip
import itertools
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Final, cast

import numpy as np
from numpy.typing import NDArray

from decoder.bits import network_bit
from decoder.channels import plain_name
from decoder.collect import lin_verdicts, sound_frames
from decoder.frames import NOT_DATA, BoolArray, ByteArray, Flag, FrameBatch, Int64Array
from decoder.gather import gather
from decoder.lin import MAX_IDENTIFIER, protect_column
from decoder.lin_frames import ANSWER_WITHIN_NS, as_lin
from decoder.logs import ReadOptions, open_log
from decoder.route import MessageIndex, Routed, Router, with_channels
from decoder.timeline import SECOND, LogClock, is_dated
from idlewhy.candump import candump_text
from idlewhy.whole_file import whole_file
from signal_defs.errors import LogError, UsageError
from signal_defs.layout import MessageLayout, SignalLayout
from signal_defs.platform import Bus, Platform
from signal_defs.roles import ROLES

FIXED_NS: Final = 1_577_836_800 * SECOND  # 2020-01-01 UTC: where every log with a date begins
FIXED_UNDATED_NS: Final = SECOND  # where a log without one does
WIDTH: Final = 64  # bytes of the longest payload
VERDICTS: Final = 5  # kinds of `decoder.collect.lin_verdicts`
LOOK_AHEAD: Final = 400  # frames among which the next one of a channel is looked for


@dataclass(slots=True)
class Outcome:
    """What became of one log: frames read, and frames of them that were written."""

    frames: int = 0
    written: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class _Needs:
    """What of a platform is needed. mask: target -> (64,) bits that stay. channels: of the written log, one a bus."""

    index: MessageIndex
    mask: dict[int, ByteArray]
    channels: tuple[str, ...]
    lin_identifiers: dict[int, int]  # identifier -> bus


def anonymise(
    logs: Sequence[str], platform: Platform, out: str, *, options: ReadOptions | None = None
) -> list[tuple[str, Outcome]]:
    """Write each log anew: one to the file `out`, several as log-1.log, log-2.log, ... in the new folder `out`.

    A name that ends in .gz is compressed. Returns each written file's name and what became of the log.
    Raises UsageError if the folder is there already, and what `Anonymiser` raises.
    """
    reader = Anonymiser(logs, platform, options=options)
    names = [out]
    if len(logs) > 1:
        try:
            Path(out).mkdir()
        except OSError as fault:
            raise UsageError(
                f"Several logs go into a new folder, and it cannot be made: {fault.strerror}.",
                where=out,
                mend="Name a folder that is not there yet.",
            ) from fault
        names = [str(Path(out, f"log-{number}.log")) for number in range(1, len(logs) + 1)]
    done = []
    for log, name in zip(logs, names, strict=True):
        outcome = Outcome()
        with whole_file(name) as half, _opened(half, packed=name.endswith(".gz")) as file:
            file.writelines(reader.text(log, outcome))
        done.append((name, outcome))
    return done


@contextmanager
def _opened(path: Path, *, packed: bool) -> Iterator[IO[bytes]]:
    """The file to write to; a compressed one holds neither a name nor the time of writing."""
    with path.open("wb") as plain:
        if not packed:
            yield plain
            return
        with gzip.GzipFile("", "wb", 6, plain, 0) as file:
            yield cast("IO[bytes]", file)


class Anonymiser:
    """Reads the logs once to learn their span and the kinds of LIN checksum; `text` then reads one of them again.

    logs: of one vehicle; those with a date all move by the same time, so that they still lie side by side.
    Raises LogError if one cannot be read or holds nothing needed, UsageError for standard input, which is read once.
    """

    def __init__(self, logs: Sequence[str | Path], platform: Platform, *, options: ReadOptions | None = None) -> None:
        if "-" in map(str, logs):
            raise UsageError(
                "To be made anonymous a log is read twice, and standard input can be read once.", mend="Name a file."
            )
        self._options = options
        self._needs = _needs_of(platform)
        self._verdicts = {target: np.zeros(VERDICTS, np.int64) for target in self._needs.mask}
        self._clocks = {str(log): self._survey(log) for log in logs}
        starts = [_start(clock) for clock in self._clocks.values() if is_dated(clock)]
        self._shift = FIXED_NS - min(starts) // SECOND * SECOND if starts else 0

    def text(self, log: str | Path, outcome: Outcome) -> Iterator[bytes]:
        """The anonymous log, piece by piece, in the layout of candump's log files; outcome is filled on the way."""
        clock = self._clocks[str(log)]
        shift = self._shift if is_dated(clock) else FIXED_UNDATED_NS - _start(clock) // SECOND * SECOND
        for whole, routed in self._routed(log, LogClock()):
            outcome.frames += len(whole)
            frames = self._needed_only(whole, routed)
            outcome.written += len(frames)
            if len(frames):
                frames = _lone_headers_kept(frames)
                yield candump_text(replace(frames, time_ns=frames.time_ns + shift))

    def _routed(self, log: str | Path, clock: LogClock) -> Iterator[tuple[FrameBatch, Routed]]:
        """Each batch as it was on the buses, LIN frames marked as such, and its data frames with their messages."""
        router = Router(self._needs.index)
        for batch in gather(open_log(log, options=self._options).batches()):
            wild = clock.outliers(batch.time_ns)
            timed = batch if wild is None else batch.take(~wild)
            routed = router.route(timed)
            clock.follow(routed.batch.time_ns)
            named = with_channels(timed, router.channels)
            yield as_lin(named, router.lin_channels) if router.lin_channels else named, routed

    def _survey(self, log: str | Path) -> LogClock:
        clock = LogClock()
        found = False
        for _, routed in self._routed(log, clock):
            for target in self._needs.mask:
                rows = np.flatnonzero(routed.target == target)
                found |= len(rows) > 0
                if len(rows) and self._is_lin(target):
                    verdict = self._verdict(routed, target, rows)
                    self._verdicts[target] += np.bincount(verdict, minlength=VERDICTS)
        if not found:
            raise LogError(
                "The log holds no frame that this platform's roles need.",
                where=str(log),
                mend="Choose the platform of this vehicle; `idlewhy inspect` alone says what is in the log.",
            )
        return clock

    def _is_lin(self, target: int) -> bool:
        return self._needs.index.buses[self._needs.index.targets[target].bus].kind == "lin"

    def _verdict(self, routed: Routed, target: int, rows: Int64Array) -> ByteArray:
        batch = routed.batch
        message = self._needs.index.targets[target].message
        return lin_verdicts(message, batch, rows, batch.payload[rows], batch.length[rows])

    def _needed_only(self, whole: FrameBatch, routed: Routed) -> FrameBatch:
        """The needed frames in the order of the log, each with its own bits alone."""
        kept = _Kept(whole, self._needs.channels)
        data = np.flatnonzero(is_data(whole))
        for target, mask in self._needs.mask.items():
            rows = np.flatnonzero(routed.target == target)
            if not len(rows):
                continue
            found = self._needs.index.targets[target]
            if self._is_lin(target):
                sound, _ = sound_frames(found.message, self._verdict(routed, target, rows), self._verdicts[target])
                kept.lin(data[rows[sound]], found.bus, mask, found.message.length)
                kept.faulty(data[rows[~sound]], found.bus)
            else:
                kept.can(data[rows], found.bus, mask)
        fault = (whole.flags & (Flag.ERROR | Flag.EXTENDED | Flag.LIN)) == (Flag.ERROR | Flag.LIN)
        mute = (whole.flags & Flag.NO_RESPONSE) != 0
        for identifier, bus in self._needs.lin_identifiers.items() if fault.any() else ():
            own = fault & (whole.identifier == identifier)
            kept.header(np.flatnonzero(own & mute), bus)
            kept.faulty(np.flatnonzero(own & ~mute), bus)
        return kept.frames()


class _Kept:
    """The rows of a batch that stay, and what stays of each."""

    def __init__(self, whole: FrameBatch, channels: tuple[str, ...]) -> None:
        n = len(whole)
        self._whole = whole
        self._stays = np.zeros(n, np.bool_)
        self._out = FrameBatch(
            whole.time_ns,
            np.zeros(n, np.uint16),
            channels,
            whole.identifier.copy(),
            np.zeros(n, np.uint16),
            np.zeros(n, np.uint8),
            np.zeros((n, WIDTH), np.uint8),
        )

    def can(self, rows: Int64Array, bus: int, mask: ByteArray) -> None:
        """CAN frames, of whatever length they had."""
        width = self._whole.payload.shape[1]
        self._stay(rows, bus)
        self._out.payload[rows, :width] = self._whole.payload[rows] & mask[:width]
        self._out.length[rows] = self._whole.length[rows]
        self._out.flags[rows] = self._whole.flags[rows] & np.uint16(Flag.EXTENDED | Flag.FD)

    def lin(self, rows: Int64Array, bus: int, mask: ByteArray, length: int) -> None:
        """LIN frames as a network device shows them; the byte after the payload, which was a checksum, goes."""
        self.can(rows, bus, mask)
        own = self._out.length[rows]
        self._out.length[rows] = np.where(own == length + 1, np.uint8(length), own)
        self._out.flags[rows] = 0

    def header(self, rows: Int64Array, bus: int) -> None:
        """LIN headers without an answer: remote frames."""
        self._stay(rows, bus)
        self._out.flags[rows] = np.uint16(Flag.REMOTE)

    def faulty(self, rows: Int64Array, bus: int) -> None:
        """LIN frames with a fault: a protected identifier of wrong parity, which a reader rejects, and no data.

        The layout holds no LIN checksum; parity is the one fault of a LIN frame that it can tell.
        """
        self._stay(rows, bus)
        right: NDArray[np.uint8] = protect_column(self._whole.identifier[rows])
        self._out.identifier[rows] = np.where((right ^ 0x80) > MAX_IDENTIFIER, right ^ 0x80, right ^ 0x40)

    def _stay(self, rows: Int64Array, bus: int) -> None:
        self._stays[rows] = True
        self._out.channel[rows] = bus

    def frames(self) -> FrameBatch:
        return self._out.take(self._stays)


def is_data(frames: FrameBatch) -> BoolArray:
    """Which frames `decoder.route` takes for data: no remote or error frame, and none that sets up a LIN interface."""
    set_up = (frames.flags & (Flag.LIN | Flag.EXTENDED)) == (Flag.LIN | Flag.EXTENDED)
    return np.asarray(((frames.flags & NOT_DATA) == 0) & ~set_up)


def _lone_headers_kept(frames: FrameBatch) -> FrameBatch:
    """A header that another frame of its identifier follows at once is written twice, else it would look answered."""
    header = np.flatnonzero((frames.flags & Flag.REMOTE) != 0)
    times = np.ones(len(frames), np.int64)
    for row in header.tolist():
        later = slice(row + 1, row + 1 + LOOK_AHEAD)
        same = np.flatnonzero(frames.channel[later] == frames.channel[row])
        if len(same):
            after = row + 1 + int(same[0])
            soon = frames.time_ns[after] - frames.time_ns[row] <= ANSWER_WITHIN_NS
            if soon and frames.identifier[after] == frames.identifier[row] and after not in header:
                times[row] = 2
    return frames.take(np.repeat(np.arange(len(frames)), times))


def _start(clock: LogClock) -> int:
    return min(segment.start for segment in clock.segments)


def _needs_of(platform: Platform) -> _Needs:
    """The signals of all roles that the tool knows, and of roles of the platform's own that a condition asks for."""
    asked = {condition.role for condition in platform.idle_stop.conditions}
    bindings = [one for role, one in platform.bindings.items() if role in ROLES or role in asked]
    index = MessageIndex(platform.buses)
    masks: dict[int, ByteArray] = {}
    for number, target in enumerate(index.targets):
        bus = platform.buses[target.bus].name
        names = {one.signal for one in bindings if (one.bus, one.message) == (bus, target.message.name)}
        mask = message_mask(target.message, names)
        if mask.any():
            masks[number] = mask
    lin = {
        index.targets[number].message.identifier: index.targets[number].bus
        for number in masks
        if platform.buses[index.targets[number].bus].kind == "lin"
    }
    return _Needs(index, masks, _channel_names(platform.buses), lin)


def _channel_names(buses: Sequence[Bus]) -> tuple[str, ...]:
    """A name for each bus: the first that its platform gives and candump could write, else its kind and a number."""
    numbers = {kind: itertools.count() for kind in ("can", "lin")}
    names: list[str] = []
    for bus in buses:
        given = [f"{bus.kind}{name}" if name.isdigit() else plain_name(name) for name in bus.channels]
        plain = (name for name in given if re.fullmatch(r"[a-z][a-z0-9.]{0,14}", name))
        spare = (f"{bus.kind}{number}" for number in numbers[bus.kind])
        names.append(next(name for name in itertools.chain(plain, spare) if name not in names))
    return tuple(names)


def message_mask(message: MessageLayout, names: set[str]) -> ByteArray:
    """The bits of the named signals, and of the multiplexers that tell when they are there: (64,) uint8."""
    mask = np.zeros(WIDTH, np.uint8)
    signals = {signal.name: signal for signal in message.signals}
    left = [name for name in names if name in signals]
    done: set[str] = set()
    while left:
        signal = signals[left.pop()]
        if signal.name in done:
            continue
        done.add(signal.name)
        mask |= _signal_mask(signal)
        if signal.multiplexed is not None and signal.multiplexed.by in signals:
            left.append(signal.multiplexed.by)
    return mask


def _signal_mask(signal: SignalLayout) -> ByteArray:
    big = signal.byte_order == "big"
    start = network_bit(signal) if big else signal.start
    bits = np.zeros(8 * WIDTH, np.uint8)
    bits[start : start + signal.length] = 1
    return np.packbits(bits, bitorder="big" if big else "little")
