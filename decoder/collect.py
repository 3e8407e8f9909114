"""Keeps, of a stream of routed frames, what the roles need: samples and what tells sound frames from others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, FloatArray, FrameBatch, Int64Array
from decoder.guard import Guard, guards_of
from decoder.lin import CLASSIC, ENHANCED, NEITHER, NOT_LOGGED, checksum_verdicts, keeps, settle_kind
from decoder.places import MessageFrames, Places
from decoder.route import MessageIndex, Routed
from decoder.timeline import Part
from decoder.unpack import Unpacked, Unpacker
from signal_defs.layout import Checksum, MessageLayout, SignalLayout
from signal_defs.platform import Binding, Protection

MAGNITUDES = frozenset({"steering_angle", "steering_rate", "slope", "brake_vacuum"})  # roles that have no sign
TRAILING_MISFIT = 4  # a verdict beside those of `decoder.lin`: the byte after the payload is no checksum of it


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """One role's samples of a piece. rows: (m,) which frames of the piece; None for all."""

    value: FloatArray
    valid: BoolArray
    rows: Int64Array | None


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """The frames of one message in one batch. log, segment: whose clock time_ns (k,) follows.

    sender: (k,) source address, of messages matched by parameter group. verdict: (k,) of `decoder.lin`, or
    TRAILING_MISFIT. mark: (k,) a hash of identifier and payload, where several logs may hold the same frame.
    truncated: frames too short for a signal.
    """

    log: int
    segment: int
    time_ns: Int64Array
    samples: Mapping[str, Samples]
    sender: ByteArray | None = None
    verdict: ByteArray | None = None
    mark: NDArray[np.uint64] | None = None
    truncated: int = 0


@dataclass(slots=True)
class Collector:
    """Collects the pieces of every message that some role needs. marked: keep what tells the same frame in two logs.

    protections: frames that fail them are left out, and counted in rejected by why.
    """

    index: MessageIndex
    bindings: Mapping[str, Binding]
    marked: bool = False
    protections: Sequence[Protection] = ()
    rejected: Counter[str] = field(default_factory=Counter)
    pieces: dict[int, list[Piece]] = field(default_factory=dict)
    _roles: dict[int, list[str]] = field(default_factory=dict)
    _unpackers: dict[int, Unpacker] = field(default_factory=dict)
    _places: Places = field(init=False)
    _guards: dict[int, Guard] = field(init=False)

    def __post_init__(self) -> None:
        bus_numbers = {bus.name: number for number, bus in enumerate(self.index.buses)}
        for target, one in enumerate(self.index.targets):  # several may have one name, for several identifiers
            names = {signal.name for signal in one.message.signals}
            for role, binding in self.bindings.items():
                same = bus_numbers[binding.bus] == one.bus and binding.message == one.message.name
                if same and binding.signal in names:
                    self._roles.setdefault(target, []).append(role)
        for target, roles in self._roles.items():
            names = {self.bindings[role].signal for role in roles}
            self._unpackers[target] = Unpacker(self.index.targets[target].message, names)
        self.pieces = {target: [] for target in sorted(self._roles)}
        self._places = Places(self._roles, len(self.index.targets))
        self._guards = guards_of(self.index, self.protections)

    def add(self, routed: Routed, log: int, parts: Iterable[Part]) -> None:
        """Keep the needed rows of a batch; each part goes by the clock of its own segment."""
        for part in parts:
            batch, target = routed.batch, routed.target
            if part.last - part.first < len(target):
                batch, target = batch.take(slice(part.first, part.last)), target[part.first : part.last]
            for own in self._places.of(batch, target):
                piece = self._piece(batch, own, log, part.segment)
                if len(piece.time_ns):
                    self.pieces[own.target].append(piece)

    def _piece(self, batch: FrameBatch, own: MessageFrames, log: int, segment: int) -> Piece:
        target = self.index.targets[own.target]
        message = target.message
        guard = self._guards.get(own.target)
        if guard is not None:
            own = own.select(guard.sound(own.payload, own.length, log, self.rejected))
        verdict = None
        if self.index.buses[target.bus].kind == "lin":
            verdict = lin_verdicts(message, batch, own.rows, own.payload, own.length)
        unpacked = self._unpackers[own.target].unpack(own.payload, own.length)
        identifier = batch.identifier[own.rows]
        return Piece(
            log,
            segment,
            own.time_ns,
            {
                role: role_samples(
                    self.bindings[role],
                    message.signal(self.bindings[role].signal),
                    unpacked[self.bindings[role].signal],
                )
                for role in self._roles[own.target]
            },
            (identifier & 0xFF).astype(np.uint8) if message.match == "pgn" else None,
            verdict,
            _marks(identifier, own.payload) if self.marked else None,
            max((one.truncated for one in unpacked.values()), default=0),
        )


def role_samples(binding: Binding, signal: SignalLayout, unpacked: Unpacked) -> Samples:
    """A signal's samples in the role's unit and sign, flags as 0 and 1, states as raw numbers, NaN where not valid."""
    valid = unpacked.valid
    if binding.invalid and unpacked.raw.ndim == 1:
        valid = valid & ~np.isin(unpacked.raw, binding.invalid)
    if binding.role.kind == "number" or unpacked.raw.ndim > 1:
        value = unpacked.value
        if binding.scale != 1.0:
            value = value * binding.scale
        if binding.offset:
            value = value + binding.offset
        if binding.sign < 0:
            value = 0.0 - value
        if binding.role.name in MAGNITUDES:
            value = np.abs(value)
    elif binding.role.kind == "flag":
        value = _is_true(binding, signal, unpacked).astype(np.float64)
    else:
        value = unpacked.raw.astype(np.float64)
    if value is unpacked.value:  # it would keep the values of the message's other signals alive
        value = value.copy()
    return Samples(value if valid.all() else np.where(valid, value, np.nan), valid, unpacked.rows)


def _is_true(binding: Binding, signal: SignalLayout, unpacked: Unpacked) -> BoolArray:
    """Whether each raw value means true: it is named in true_when, or, where nothing is, it is not zero."""
    if not binding.true_when:
        return np.asarray(unpacked.raw != 0)
    raws = [raw for raw, name in signal.choices.items() if name in binding.true_when]
    raws += [one for one in binding.true_when if isinstance(one, int)]
    return np.isin(unpacked.raw, raws)


def lin_verdicts(
    message: MessageLayout, batch: FrameBatch, rows: Int64Array, payload: ByteArray, length: ByteArray
) -> ByteArray:
    """What the checksum says of each LIN frame; where none is logged, one byte too many is tried as the checksum."""
    identifier = batch.identifier[rows]
    verdict = checksum_verdicts(identifier, payload, None if batch.checksum is None else batch.checksum[rows])
    at = message.length
    trailing = (verdict == NOT_LOGGED) & (length == at + 1)
    if at < payload.shape[1] and trailing.any():
        data = payload.copy()
        data[:, at] = 0
        tried = checksum_verdicts(identifier, data, payload[:, at])
        tried[tried == NEITHER] = TRAILING_MISFIT
        verdict = np.where(trailing, tried, verdict)
    return verdict


def sound_frames(message: MessageLayout, verdict: ByteArray, tally: Int64Array) -> tuple[BoolArray, Checksum]:
    """Which LIN frames are sound, and the checksum kind of their message.

    verdict: (n,) from `lin_verdicts`. tally: (5,) how often each verdict was given so far; it settles the kind, and
    whether the byte after the payload is a checksum at all.
    """
    good = int(tally[CLASSIC] + tally[ENHANCED])
    kind = settle_kind(message.identifier, int(tally[CLASSIC]), int(tally[ENHANCED]), message.checksum)
    sound = keeps(verdict, kind)
    if tally[TRAILING_MISFIT] > good:
        sound |= verdict == TRAILING_MISFIT
    return sound, kind


def _marks(identifier: NDArray[np.uint32], payload: ByteArray) -> NDArray[np.uint64]:
    """A 64-bit hash of identifier and payload of each row."""
    mark = identifier.astype(np.uint64)
    words = payload.view(np.uint64) if payload.shape[1] % 8 == 0 else payload.astype(np.uint64)
    for column in range(words.shape[1]):
        mark = (mark ^ words[:, column]) * np.uint64(0x9E3779B97F4A7C15)
        mark ^= mark >> np.uint64(29)
    return mark
