"""Which message of which bus each frame of a log is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from decoder.channels import ChannelCount, assign_channels, plain_name
from decoder.frames import NOT_DATA, Flag, FrameBatch, Int64Array
from decoder.keys import MAX_KEYS, OVERFLOW, KeyTable
from decoder.lin_frames import as_lin
from signal_defs.layout import MessageLayout
from signal_defs.platform import Bus

UNKNOWN = -1
_EXTENDED = 1 << 31  # bits of a key beside identifier (0..28) and channel (32..47)
_LIN = 1 << 30


@dataclass(frozen=True, slots=True)
class Target:
    """A message of a bus, numbered over the whole platform. bus: number of the bus."""

    bus: int
    message: MessageLayout


@dataclass(frozen=True, slots=True, eq=False)
class Routed:
    """The data frames of a batch. target: (n,) number of each frame's message, `UNKNOWN` where none is defined."""

    batch: FrameBatch
    target: NDArray[np.int32]


def parameter_group(identifier: int) -> int:
    """The J1939 parameter group number of a 29-bit identifier.

    Source: SAE J1939-21, from memory: priority << 26 | data page << 24 | PF << 16 | PS << 8 | source address; where
    PF < 240, PS is the destination and no part of the number.
    """
    group = (identifier >> 8) & 0x3FFFF
    return group if (group >> 8) & 0xFF >= 240 else group & 0x3FF00


class MessageIndex:
    """All messages of a platform by what stands on the bus."""

    def __init__(self, buses: Sequence[Bus]) -> None:
        self.buses = tuple(buses)
        self.targets: list[Target] = []
        self._exact: list[dict[tuple[int, bool], int]] = []
        self._group: list[dict[int, int]] = []
        for number, bus in enumerate(buses):
            exact: dict[tuple[int, bool], int] = {}
            group: dict[int, int] = {}
            for message in bus.messages:
                index = len(self.targets)
                self.targets.append(Target(number, message))
                exact.setdefault((message.identifier, message.extended and bus.kind == "can"), index)
                if message.match == "pgn":
                    group.setdefault(parameter_group(message.identifier), index)
            self._exact.append(exact)
            self._group.append(group)

    def find(self, bus: int, identifier: int, extended: bool, lin: bool) -> int:
        """The number of the message that an identifier is on a bus, `UNKNOWN` if it is none."""
        if lin and self.buses[bus].kind == "can":
            return UNKNOWN
        found = self._exact[bus].get((identifier, extended), UNKNOWN)
        if found == UNKNOWN and extended:
            found = self._group[bus].get(parameter_group(identifier), UNKNOWN)
        return found


@dataclass(slots=True)
class Router:
    """Routes the batches of one log.

    rejected: frames that are no data, by kind. lin_channels: numbers of the channels that are LIN by their name. A
    channel keeps the buses it was given when their first frames came.
    """

    index: MessageIndex
    rejected: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)
    channels: tuple[str, ...] = ()
    _keys: KeyTable = field(default_factory=KeyTable)
    _counts: NDArray[np.int64] = field(default_factory=lambda: np.zeros(1, np.int64))
    _target: NDArray[np.int32] = field(default_factory=lambda: np.full(1, UNKNOWN, np.int32))
    _meanings: list[dict[int, int]] = field(default_factory=list)  # key -> bus -> message
    _decided: dict[tuple[int, bool], tuple[int, ...]] = field(default_factory=dict)
    lin_channels: set[int] = field(default_factory=set)

    def route(self, batch: FrameBatch) -> Routed:
        """Sort out what is no data, then find every frame's message."""
        batch = with_channels(batch, self.channels)
        if batch.channels != self.channels:
            self._name_lin_channels(batch.channels)
        if self.lin_channels:
            batch = as_lin(batch, self.lin_channels)
        batch = self._data_only(batch)
        number = self._keys.number(frame_keys(batch))
        self._count(number)
        return Routed(batch, self._target.take(number, mode="clip"))

    def _name_lin_channels(self, channels: tuple[str, ...]) -> None:
        names = {
            kind: {plain_name(name) for bus in self.index.buses if bus.kind == kind for name in bus.channels}
            for kind in ("can", "lin")
        }
        # a bare number may be a CAN and a LIN channel of one log
        lin = {name for name in names["lin"] - names["can"] if not name.isdigit()}
        self.lin_channels |= {at for at, name in enumerate(channels) if plain_name(name) in lin}
        self.channels = channels

    def _data_only(self, batch: FrameBatch) -> FrameBatch:
        no_data = (batch.flags & NOT_DATA) != 0
        if self.lin_channels:
            configures = np.uint16(Flag.LIN | Flag.EXTENDED)
            no_data |= (batch.flags & configures) == configures
        if not no_data.any():
            return batch
        self.rejected.update(kinds_of(batch.flags[no_data]))
        return batch.take(~no_data)

    def _count(self, number: Int64Array) -> None:
        known = len(self._counts) - 1
        if len(self._keys) > known:
            self._counts = np.concatenate(
                [self._counts[:-1], np.zeros(len(self._keys) - known, np.int64), self._counts[-1:]]
            )
        if len(self._keys) == MAX_KEYS:
            number[number == OVERFLOW] = MAX_KEYS  # the last place
        self._counts += np.bincount(number, minlength=len(self._counts))
        if len(self._keys) > known:
            self._settle(known)

    def _settle(self, known: int) -> None:
        """Find what the new keys mean; where one belongs to a bus that its channel is not yet, decide the channels."""
        every = range(len(self.index.buses))
        is_open = False
        for key in self._keys.keys[known:].tolist():
            identifier, extended, lin, channel = key_parts(key)
            meaning = {bus: self.index.find(bus, identifier, extended, lin) for bus in every}
            meaning = {bus: target for bus, target in meaning.items() if target != UNKNOWN}
            self._meanings.append(meaning)
            is_open |= bool(meaning) and not any(bus in meaning for bus in self._decided.get((channel, lin), ()))
        if is_open:
            self._decide()
            known = 0  # the message of older keys may have become known
        more = [self._message(number) for number in range(known, len(self._keys))]
        self._target = np.concatenate([self._target[:known], np.array([*more, UNKNOWN], np.int32)])

    def _decide(self) -> None:
        counted = self._channel_counts()
        assignment = assign_channels([count for _, count in counted], self.index.buses)
        for (place, count), buses in zip(counted, assignment.buses, strict=True):
            before = self._decided.get(place, ())
            new = tuple(bus for bus in buses if bus not in before and count.known.get(bus))
            if new:
                self._decided[place] = before + new
        self.notes.extend(note for note in assignment.notes if note not in self.notes)

    def _message(self, number: int) -> int:
        """The message of a key, by the buses that its channel is."""
        _, _, lin, channel = key_parts(int(self._keys.keys[number]))
        meaning = self._meanings[number]
        return next((meaning[bus] for bus in self._decided.get((channel, lin), ()) if bus in meaning), UNKNOWN)

    def _channel_counts(self) -> list[tuple[tuple[int, bool], ChannelCount]]:
        frames: Counter[tuple[int, bool]] = Counter()
        known: dict[tuple[int, bool], Counter[int]] = {}
        messages: dict[tuple[int, bool], dict[int, set[int]]] = {}
        for key, count, meaning in zip(self._keys.keys.tolist(), self._counts.tolist(), self._meanings, strict=False):
            _, _, lin, channel = key_parts(key)
            place = (channel, lin)
            frames[place] += count
            for bus, target in meaning.items():
                known.setdefault(place, Counter())[bus] += count
                messages.setdefault(place, {}).setdefault(bus, set()).add(target)
        return [
            (
                place,
                ChannelCount(
                    self.name_of(place[0]),
                    place[1],
                    total,
                    known.get(place, {}),
                    {bus: len(seen) for bus, seen in messages.get(place, {}).items()},
                ),
            )
            for place, total in sorted(frames.items())
        ]

    def name_of(self, channel: int) -> str:
        return self.channels[channel] if channel < len(self.channels) else ""

    def seen(self) -> list[tuple[str, int, bool, int, int]]:
        """(channel, identifier, extended, frames, message or `UNKNOWN`) of all that was on the log."""
        rows = zip(self._keys.keys.tolist(), self._counts.tolist(), self._target.tolist(), strict=False)
        return [
            (self.name_of(channel), identifier, extended, count, target)
            for key, count, target in rows
            for identifier, extended, _, channel in [key_parts(key)]
        ]


def frame_keys(batch: FrameBatch) -> NDArray[np.uint64]:
    """Channel, kind and identifier of each frame in one number: (n,) uint64, see `key_parts`."""
    key = batch.identifier.astype(np.uint64)
    present = int(np.bitwise_or.reduce(batch.flags))
    for flag, bit in ((Flag.EXTENDED, _EXTENDED), (Flag.LIN, _LIN)):
        if present & flag:
            key |= np.where((batch.flags & flag) != 0, np.uint64(bit), np.uint64(0))
    if len(batch.channels) > 1:
        key |= batch.channel.astype(np.uint64) << np.uint64(32)
    return key


def key_parts(key: int) -> tuple[int, bool, bool, int]:
    """Identifier, extended, LIN, channel of a key."""
    return key & 0x1FFF_FFFF, bool(key & _EXTENDED), bool(key & _LIN), key >> 32


def kinds_of(flags: NDArray[np.uint16]) -> Counter[str]:
    """How many frames of each kind that is no data."""
    kinds: Counter[str] = Counter()
    values, counts = np.unique(flags, return_counts=True)
    for value, count in zip(values.tolist(), counts.tolist(), strict=True):
        kind = _kind(Flag(value))
        if kind:
            kinds[kind] += count
    return kinds


def _kind(flag: Flag) -> str:
    """What kind of no data; empty for a LIN header that was answered, which is no fault."""
    if not flag & Flag.LIN:
        return "error_frame" if flag & Flag.ERROR else "remote_frame"
    for bit, kind in (
        (Flag.NO_RESPONSE, "lin_no_response"),
        (Flag.BAD_PARITY, "lin_parity"),
        (Flag.BAD_CHECKSUM, "lin_checksum"),
        (Flag.EXTENDED, "lin_configuration"),
        (Flag.ERROR, "lin_error"),
    ):
        if flag & bit:
            return kind
    return ""


def with_channels(batch: FrameBatch, known: tuple[str, ...]) -> FrameBatch:
    """The batch with its channels numbered as in known, new ones behind: a reader may number each batch's anew."""
    if batch.channels[: len(known)] == known:
        return batch
    every = {name: number for number, name in enumerate(dict.fromkeys((*known, *batch.channels)))}
    number = np.array([every[name] for name in batch.channels], np.uint16)
    return replace(batch, channel=number[batch.channel], channels=tuple(every))
