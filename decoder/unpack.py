"""Signals out of payloads: whole columns of bits at once, equal bit for bit to decoding frame by frame."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from decoder.bits import WORD, extract, last_byte, window
from decoder.blocks import build_blocks, word_start
from decoder.frames import BoolArray, ByteArray, FloatArray, Int64Array
from signal_defs.errors import DefinitionError
from signal_defs.layout import MessageLayout, SignalLayout

EXACT_INTEGER = 2**53  # IEEE 754 binary64 holds every integer up to here
FEW_RANGES = 4  # up to here comparing beats searching


@dataclass(frozen=True, slots=True, eq=False)
class Unpacked:
    """One signal of the frames that carry it.

    rows: (m,) the frames that carry it, rising; None where all n do. A frame of another multiplex, and one whose
    payload ends before the signal does, is not among them.
    raw: (m,) int64, uint64 (64 bits unsigned), float of the signal's width, or (m, bytes) uint8 for a byte array.
    value: (m,) raw * scale + offset; NaN for a byte array.
    valid: (m,) False where raw means "not available" or "error", the value lies outside the definition's range, or is
    not a finite number.
    truncated: frames whose payload was too short. outside: values out of the definition's range.
    """

    raw: NDArray[Any]
    value: FloatArray
    valid: BoolArray
    rows: Int64Array | None = None
    truncated: int = 0
    outside: int = 0


def unpack(
    message: MessageLayout, payload: ByteArray, length: ByteArray, names: Collection[str] | None = None
) -> dict[str, Unpacked]:
    """As `Unpacker.unpack`, for once."""
    return Unpacker(message, names).unpack(payload, length)


class Unpacker:
    """Takes every signal of a message, or those in names, out of its frames; works out once what the layout tells."""

    def __init__(self, message: MessageLayout, names: Collection[str] | None = None) -> None:
        self._message = message
        wanted = [one for one in message.signals if names is None or one.name in names]
        self._checks = {one.name: _Check.of(one) for one in wanted}
        self._blocks = build_blocks(one for one in wanted if _is_plain(one))
        self._others = [one for one in wanted if not _is_plain(one)]
        self._order = [one.name for one in wanted]

    def unpack(self, payload: ByteArray, length: ByteArray) -> dict[str, Unpacked]:
        """Signal name -> `Unpacked`, from the payloads of the message's frames.

        payload: (n, width) uint8, zero past length. length: (n,) bytes present.
        Raises DefinitionError if multiplexers depend on each other in a circle.
        Source of the bit order: the DBC convention, see `signal_defs.layout.SignalLayout`; of the multiplexing: its
        ranges.
        """
        columns = _Columns(self._message, np.ascontiguousarray(payload), length)
        found: dict[str, Unpacked] = {}
        one_by_one = list(self._others)
        width = columns.payload.shape[1]
        with np.errstate(over="ignore", invalid="ignore"):
            for block in self._blocks:
                if block.need > columns.shortest or block.at + WORD // 8 > width:
                    one_by_one += block.signals
                    continue
                raws, values = block.cut(columns.word(block.at, block.big))
                for signal, raw, value in zip(block.signals, raws, values, strict=True):
                    found[signal.name] = columns.judge(self._checks[signal.name], raw, value)
            for signal in one_by_one:
                found[signal.name] = columns.unpack(signal, self._checks[signal.name])
        return {name: found[name] for name in self._order}


def _is_plain(signal: SignalLayout) -> bool:
    """Whether a signal may be one of a `Block`: in every frame, in one word, and scaled without loss."""
    if (
        signal.multiplexed is not None
        or signal.is_bytes
        or signal.is_float
        or signal.length > WORD - (not signal.signed)
    ):
        return False
    if last_byte(signal) >= word_start(signal) + WORD // 8:
        return False
    scale, offset = float(signal.scale), float(signal.offset)
    if not np.isfinite(scale + offset):
        return False
    return (scale, offset) == (1.0, 0.0) or not scale.is_integer() or _bound(signal) <= EXACT_INTEGER


def _bound(signal: SignalLayout) -> int:
    """What no scaled value exceeds, where the scale is a whole number; of the offset its whole part counts."""
    offset = float(signal.offset)
    return (1 << signal.length) * abs(int(signal.scale)) + abs(int(offset) if offset.is_integer() else 0)


@dataclass(frozen=True, slots=True)
class _Check:
    """What a value must keep to. low, high: None where it cannot lie beyond. finite: it might be no finite number.

    passes_all: there is nothing to keep to.
    """

    invalid: tuple[tuple[int, int], ...]
    finite: bool
    low: float | None
    high: float | None
    passes_all: bool = field(init=False)

    def __post_init__(self) -> None:
        nothing = not self.invalid and not self.finite and self.low is None and self.high is None
        object.__setattr__(self, "passes_all", nothing)

    @classmethod
    def of(cls, signal: SignalLayout) -> Self:
        """The definition's range with half a step of slack, and its raw values that are none."""
        low, high = signal.minimum, signal.maximum
        slack = 0.0 if signal.is_float else abs(signal.scale) / 2
        if not signal.is_float:
            least = -(2 ** (signal.length - 1)) if signal.signed else 0
            most = 2 ** (signal.length - 1) - 1 if signal.signed else 2**signal.length - 1
            ends = sorted((least * signal.scale + signal.offset, most * signal.scale + signal.offset))
            low = None if low is None or ends[0] >= low - slack else low
            high = None if high is None or ends[1] <= high + slack else high
        return cls(
            () if signal.is_float else tuple(_merged(signal.invalid)),
            signal.is_float or not np.isfinite(signal.scale + signal.offset),
            None if low is None else low - slack,
            None if high is None else high + slack,
        )

    def inside(self, value: FloatArray) -> BoolArray | None:
        """Whether each value lies in the range; None where it cannot lie outside."""
        if self.low is None and self.high is None:
            return None
        inside = np.ones(len(value), np.bool_)
        if self.low is not None:
            inside &= value >= self.low
        if self.high is not None:
            inside &= value <= self.high
        return inside


@dataclass(frozen=True, slots=True)
class _Split:
    """The frames by the value of one multiplexer: value (k,) rising, rows (k,) the frame of each."""

    value: NDArray[Any]
    rows: Int64Array

    def rows_in(self, ranges: tuple[tuple[int, int], ...]) -> Int64Array:
        """Rising rows whose value lies in one of the ranges, each named once."""
        parts = []
        for low, high in _merged(ranges):
            first = int(np.searchsorted(self.value, _within(low, self.value), side="left"))
            past = int(np.searchsorted(self.value, _within(high, self.value), side="right"))
            if low <= high and not _beyond(low, high, self.value):
                parts.append(self.rows[first:past])
        return np.sort(np.concatenate(parts)) if parts else np.empty(0, np.int64)


@dataclass(slots=True)
class _Columns:
    """The frames of one message, and what several of its signals share."""

    message: MessageLayout
    payload: ByteArray
    length: ByteArray
    by_name: dict[str, SignalLayout] = field(init=False)
    windows: dict[tuple[int, bool], NDArray[np.uint64]] = field(default_factory=dict)
    splits: dict[str, _Split] = field(default_factory=dict)
    shortest: int = field(init=False)
    all_valid: BoolArray = field(init=False)

    def __post_init__(self) -> None:
        n = len(self.payload)
        if self.payload.shape[1] < 8:
            wide = np.zeros((n, 8), np.uint8)
            wide[:, : self.payload.shape[1]] = self.payload
            self.payload = wide
        self.by_name = {signal.name: signal for signal in self.message.signals}
        self.shortest = int(self.length.min()) if n else 0
        self.all_valid = np.ones(n, np.bool_)
        self.all_valid.flags.writeable = False

    def word(self, at: int, big: bool) -> NDArray[np.uint64]:
        """Eight bytes of every frame as one number: (n,)."""
        return window(self.payload, at, big, self.windows)

    def unpack(self, signal: SignalLayout, check: _Check) -> Unpacked:
        self._split_multiplexers(signal)
        present, truncated = self._rows(signal)
        raw = extract(self.payload, signal, self.windows, present)
        if raw.ndim > 1:
            valid = np.ones(len(raw), np.bool_)
            return Unpacked(raw, np.full(len(raw), np.nan), valid, present, truncated)
        return self.judge(check, raw, _scaled(raw, signal), present, truncated)

    def judge(
        self,
        check: _Check,
        raw: NDArray[Any],
        value: FloatArray,
        present: Int64Array | None = None,
        truncated: int = 0,
    ) -> Unpacked:
        """What the definition says of values: which are valid, how many lie outside of its range."""
        valid = self.all_valid if present is None else self.all_valid[: len(raw)]
        if check.passes_all:
            return Unpacked(raw, value, valid, present, truncated)
        bad = _invalid(raw, check.invalid) if check.invalid else None
        if bad is not None:
            valid = ~bad
        if check.finite:
            valid = valid & np.isfinite(value)
        inside = check.inside(value)
        outside = 0
        if inside is not None:
            outside = int(np.count_nonzero(valid & ~inside))
            valid = valid & inside
        return Unpacked(raw, value, valid, present, truncated, outside)

    def _rows(self, signal: SignalLayout) -> tuple[Int64Array | None, int]:
        """The frames that carry a signal (None for all), and how many should but are too short."""
        rows = None
        if signal.multiplexed is not None:
            split = self.splits.get(signal.multiplexed.by)
            rows = np.empty(0, np.int64) if split is None else split.rows_in(signal.multiplexed.ranges)
        need = last_byte(signal) + 1
        if need <= self.shortest and need <= self.payload.shape[1]:
            return rows, 0
        long_enough = (self.length if rows is None else self.length[rows]) >= need
        if need > self.payload.shape[1]:
            long_enough = np.zeros_like(long_enough)
        kept = np.flatnonzero(long_enough) if rows is None else rows[long_enough]
        return kept, int(np.count_nonzero(~long_enough))

    def _split_multiplexers(self, signal: SignalLayout) -> None:
        """Have the split of every multiplexer that the signal hangs on, the outermost first."""
        chain: list[SignalLayout] = []
        seen: set[str] = set()
        while signal.multiplexed is not None and signal.multiplexed.by not in self.splits:
            by = self.by_name.get(signal.multiplexed.by)
            if by is None:
                break
            if by.name in seen:
                raise DefinitionError(
                    f"message {self.message.name}: the multiplexers depend on each other in a circle ({by.name})",
                    mend="correct the multiplexing in the database",
                )
            seen.add(by.name)
            chain.append(by)
            signal = by
        for by in reversed(chain):
            rows, _ = self._rows(by)
            raw = extract(self.payload, by, self.windows, rows)
            if raw.ndim > 1 or by.is_float:
                continue
            narrow = raw.astype(np.uint16) if not by.signed and by.length <= 16 else raw
            order = np.argsort(narrow, kind="stable")
            self.splits[by.name] = _Split(raw[order], order if rows is None else rows[order])


def _scaled(raw: NDArray[Any], signal: SignalLayout) -> FloatArray:
    """Raw * scale + offset, rounded as Python's own arithmetic on one number rounds it."""
    scale, offset = float(signal.scale), float(signal.offset)
    if not signal.is_float and scale.is_integer() and (scale, offset) != (1.0, 0.0):
        whole = offset if offset.is_integer() else 0.0  # the part of the offset that integer arithmetic can add
        bound = _bound(signal)
        if bound >= 2**63:
            numbers = [float(number * int(scale) + int(whole)) for number in raw.tolist()]
            return np.array(numbers, np.float64) + (offset - whole)
        if bound > EXACT_INTEGER:
            exact = raw.astype(np.int64) * np.int64(scale) + np.int64(whole)
            return np.asarray(exact.astype(np.float64) + (offset - whole))
    value: FloatArray = raw.astype(np.float64)
    if scale != 1.0:
        value *= scale
    # a negative zero becomes zero when an offset of zero is added: keep to that
    if offset != 0.0 or scale < 0.0 or (scale != 1.0 and (signal.signed or signal.is_float)):
        value += offset
    return value


def _invalid(raw: NDArray[Any], ranges: tuple[tuple[int, int], ...]) -> BoolArray | None:
    """Whether each raw value lies in one of the ranges, which rise and do not overlap; None where none can hold it."""
    merged = [(low, high) for low, high in ranges if not _beyond(low, high, raw)]
    if not merged:
        return None
    if len(merged) <= FEW_RANGES:
        bad = np.zeros(len(raw), np.bool_)
        for low, high in merged:
            bad |= raw == low if low == high else (raw >= low) & (raw <= high)
        return bad
    lows = np.array([_within(low, raw) for low, _ in merged], raw.dtype)
    highs = np.array([_within(high, raw) for _, high in merged], raw.dtype)
    index = np.searchsorted(lows, raw, side="right") - 1
    return np.asarray((index >= 0) & (raw <= highs[np.maximum(index, 0)]))


def _merged(ranges: tuple[tuple[int, int], ...]) -> list[tuple[int, int]]:
    """The same numbers in rising ranges that do not overlap."""
    merged: list[tuple[int, int]] = []
    for low, high in sorted(one for one in ranges if one[0] <= one[1]):
        if merged and low <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return merged


def _within(number: int, like: NDArray[Any]) -> int:
    """The number, or the nearest that the array's type can hold."""
    limits = np.iinfo(like.dtype)
    return min(max(number, int(limits.min)), int(limits.max))


def _beyond(low: int, high: int, like: NDArray[Any]) -> bool:
    """Whether no number of the range fits the array's type."""
    limits = np.iinfo(like.dtype)
    return low > int(limits.max) or high < int(limits.min)


def dense(unpacked: Unpacked, frames: int) -> tuple[FloatArray, BoolArray]:
    """Value and validity of every frame: (frames,) each; NaN and False where the frame does not carry the signal."""
    if unpacked.rows is None:
        return unpacked.value, unpacked.valid
    value = np.full(frames, np.nan)
    valid = np.zeros(frames, np.bool_)
    value[unpacked.rows] = unpacked.value
    valid[unpacked.rows] = unpacked.valid
    return value, valid


def carried(unpacked: Mapping[str, Unpacked], frames: int) -> BoolArray:
    """Whether each frame carries at least one of the signals: (frames,)."""
    any_of = np.zeros(frames, np.bool_)
    for one in unpacked.values():
        if one.rows is None:
            any_of[:] = True
            break
        any_of[one.rows] = True
    return any_of
