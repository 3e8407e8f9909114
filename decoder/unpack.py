"""Signals out of payloads: whole columns of bits at once, equal bit for bit to decoding frame by frame."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from decoder.bits import WORD, extract, last_byte, window
from decoder.blocks import EXACT_INTEGER, build_blocks, fits_block, scaled_bound
from decoder.frames import BoolArray, ByteArray, FloatArray, Int64Array
from decoder.validity import Check, is_beyond, merged_ranges, nearest
from signal_defs.errors import DefinitionError
from signal_defs.layout import MessageLayout, SignalLayout


class Unpacked(NamedTuple):
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
        self._name = message.name
        self._by_name = {one.name: one for one in message.signals}
        wanted = [one for one in message.signals if names is None or one.name in names]
        self._checks = {one.name: Check.of(one) for one in wanted}
        plain: list[SignalLayout] = []
        self._others: list[SignalLayout] = []
        for one in wanted:
            (plain if fits_block(one) else self._others).append(one)
        self._blocks = build_blocks(plain)
        self._order = [one.name for one in wanted]

    def unpack(self, payload: ByteArray, length: ByteArray) -> dict[str, Unpacked]:
        """Signal name -> `Unpacked`, from the payloads of the message's frames.

        payload: (n, width) uint8, zero past length. length: (n,) bytes present.
        Raises DefinitionError if multiplexers depend on each other in a circle.
        Source of the bit order: the DBC convention, see `signal_defs.layout.SignalLayout`; of the multiplexing: its
        ranges.
        """
        columns = _Columns(self._name, self._by_name, np.ascontiguousarray(payload), length)
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


@dataclass(frozen=True, slots=True)
class _Split:
    """The frames by the value of one multiplexer: value (k,) rising, rows (k,) the frame of each."""

    value: NDArray[Any]
    rows: Int64Array

    def rows_in(self, ranges: tuple[tuple[int, int], ...]) -> Int64Array:
        """Rising rows whose value lies in one of the ranges, each named once."""
        parts = []
        for low, high in merged_ranges(ranges):
            first = int(np.searchsorted(self.value, nearest(low, self.value), side="left"))
            past = int(np.searchsorted(self.value, nearest(high, self.value), side="right"))
            if low <= high and not is_beyond(low, high, self.value):
                parts.append(self.rows[first:past])
        return np.sort(np.concatenate(parts)) if parts else np.empty(0, np.int64)


@dataclass(slots=True)
class _Columns:
    """The frames of the message of that name, and what several of its signals share."""

    name: str
    by_name: dict[str, SignalLayout]
    payload: ByteArray
    length: ByteArray
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
        self.shortest = int(self.length.min()) if n else 0
        self.all_valid = np.ones(n, np.bool_)
        self.all_valid.flags.writeable = False

    def word(self, at: int, big: bool) -> NDArray[np.uint64]:
        """Eight bytes of every frame as one number: (n,)."""
        return window(self.payload, at, big, self.windows)

    def unpack(self, signal: SignalLayout, check: Check) -> Unpacked:
        self._split_multiplexers(signal)
        present, truncated = self._rows(signal)
        raw = extract(self.payload, signal, self.windows, present)
        if raw.ndim > 1:
            valid = np.ones(len(raw), np.bool_)
            return Unpacked(raw, np.full(len(raw), np.nan), valid, present, truncated)
        return self.judge(check, raw, _scaled(raw, signal), present, truncated)

    def judge(
        self,
        check: Check,
        raw: NDArray[Any],
        value: FloatArray,
        present: Int64Array | None = None,
        truncated: int = 0,
    ) -> Unpacked:
        """What the definition says of values: which are valid, how many lie outside of its range."""
        valid = self.all_valid if present is None else self.all_valid[: len(raw)]
        if check.passes_all:
            return Unpacked(raw, value, valid, present, truncated)
        valid, outside = check.judge(raw, value, valid)
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
                    f"message {self.name}: the multiplexers depend on each other in a circle ({by.name})",
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
        bound = scaled_bound(signal)
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
