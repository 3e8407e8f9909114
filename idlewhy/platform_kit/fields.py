"""Bits of a log without any database that behave as a battery's voltage, or as its current: where to look first.

A guess for a person who will write the database; nothing is taken from it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from decoder.frames import NOT_DATA, ByteArray, FloatArray, FrameBatch, Int64Array
from decoder.logs import ReadOptions, open_log
from decoder.route import frame_keys, key_parts, with_channels
from idlewhy.platform_kit.cranks import find_dips
from idlewhy.platform_kit.series import Series

MAX_KEYS, MAX_FRAMES = 64, 150_000  # identifiers looked at, and frames of each
SCALES = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 1 / 1024, 1 / 256, 1 / 128, 1 / 64)  # volts a count, often met
MIDDLE_V, SPAN_V = (10.5, 14.9), (4.5, 16.5)
OUTSTANDING = 8.0  # how many times its usual steps a current moves at a crank; common practice, no source
SHOWN = 8


@dataclass(frozen=True, slots=True)
class Field:
    """Some bits of a message. byte, length [bit]; big: most significant byte first."""

    channel: str
    identifier: int
    byte: int
    length: int
    big: bool

    def __str__(self) -> str:
        order = "" if self.length <= 8 else ", most significant first" if self.big else ", least significant first"
        return f'"{self.channel}" 0x{self.identifier:X}, {self.length} bits from byte {self.byte}{order}'


Voltage = tuple[Field, float, int, float, Int64Array]  # where, volts a count, dips, their depth [V], their instants


@dataclass(slots=True)
class _Frames:
    time_ns: list[Int64Array] = field(default_factory=list)
    payload: list[ByteArray] = field(default_factory=list)
    bytes: int = 8
    count: int = 0


def likely_fields(paths: Sequence[str | Path], options: ReadOptions | None = None) -> list[str]:
    """Sentences on the fields that fall and come back as a battery's voltage does, and on what moves just then."""
    said: list[str] = []
    for path in paths:
        messages = _frames(path, options)
        volts = _best(sorted(_voltages(messages), key=lambda one: (-one[2], -one[3], -one[0].length)))
        for where, scale, count, depth, _ in volts[:SHOWN]:
            said.append(f"{where}: times {scale:.6g} it would be volts, and falls {count} times, by {depth:.1f} V")
        if volts:
            said += [
                f"{where}: moves just then, as a current would" for where in _movers(messages, volts[0][4], volts[0][0])
            ]
    return said


def _best(ordered: Sequence[Voltage]) -> list[Voltage]:
    """The first of each place, two of each message: the same bits read a little shorter say nothing new."""
    kept: dict[tuple[str, int, int, bool], Voltage] = {}
    for one in ordered:
        where = one[0]
        of_message = sum(place[:2] == (where.channel, where.identifier) for place in kept)
        place = (where.channel, where.identifier, where.byte, where.big)
        if place not in kept and of_message < 2:
            kept[place] = one
    return list(kept.values())


def _frames(path: str | Path, options: ReadOptions | None) -> dict[tuple[str, int], tuple[Int64Array, ByteArray]]:
    kept: dict[int, _Frames] = {}
    channels: tuple[str, ...] = ()
    with open_log(path, options=options) as log:
        for read in log.batches():
            batch = with_channels(read, channels)
            channels = batch.channels
            _keep(kept, batch)
    found = {}
    for key, one in kept.items():
        identifier, _, _, channel = key_parts(key)
        name = channels[channel] if channel < len(channels) else ""
        if one.count >= 100:
            payload = np.concatenate(one.payload)[:, : one.bytes]
            found[name, identifier] = (np.concatenate(one.time_ns), payload)
    return found


def _keep(kept: dict[int, _Frames], batch: FrameBatch) -> None:
    data = (batch.flags & NOT_DATA) == 0
    keys = frame_keys(batch)
    for key in np.unique(keys[data]).tolist():
        if key not in kept and len(kept) >= MAX_KEYS:
            continue
        one = kept.setdefault(key, _Frames())
        rows = np.flatnonzero(data & (keys == key))[: MAX_FRAMES - one.count]
        if len(rows):
            one.time_ns.append(batch.time_ns[rows])
            one.payload.append(batch.payload[rows, :8])
            one.bytes = min(one.bytes, int(batch.length[rows].min()))
            one.count += len(rows)


def _columns(payload: ByteArray, lengths: Sequence[int]) -> Iterator[tuple[int, int, bool, Int64Array]]:
    """Every byte-aligned number of those lengths: byte, length, big, (n,) raw; shorter ones are the low bits."""
    width = payload.shape[1]
    wide = payload.astype(np.int64)
    for length in lengths:
        size = (length + 7) // 8
        for byte in range(width - size + 1):
            for big in (False, True) if size > 1 else (False,):
                order = range(byte + size - 1, byte - 1, -1) if not big else range(byte, byte + size)
                raw = np.zeros(len(payload), np.int64)
                for place in order:
                    raw = raw << 8 | wide[:, place]
                yield byte, length, big, raw & ((1 << length) - 1)


def _voltages(messages: dict[tuple[str, int], tuple[Int64Array, ByteArray]]) -> Iterator[Voltage]:
    for (channel, identifier), (time_ns, payload) in messages.items():
        for byte, length, big, raw in _columns(payload, (8, 12, 14, 15, 16)):
            middle = float(np.median(raw))
            if middle <= 0 or len(np.unique(raw[:5000])) < 5:
                continue
            for scale in SCALES:
                volts = np.asarray(raw * scale, dtype=np.float64)
                dips = _as_voltage(time_ns, volts) if MIDDLE_V[0] < middle * scale < MIDDLE_V[1] else None
                if dips is not None:
                    where = Field(channel, identifier, byte, length, big)
                    yield where, scale, len(dips[0]), float(np.median(dips[1])), dips[0]


def _as_voltage(time_ns: Int64Array, volts: FloatArray) -> tuple[Int64Array, FloatArray] | None:
    if float(np.percentile(volts, 0.1)) < SPAN_V[0] or float(np.percentile(volts, 99.9)) > SPAN_V[1]:
        return None
    dips = find_dips(Series(time_ns, volts, volts))
    return dips if len(dips[0]) and len(dips[0]) < len(time_ns) / 100 else None


def _movers(messages: dict[tuple[str, int], tuple[Int64Array, ByteArray]], at: Int64Array, voltage: Field) -> list[str]:
    """Fields that move at those instants far more than they usually do."""
    rated: list[tuple[float, str]] = []
    for (channel, identifier), (time_ns, payload) in messages.items():
        for byte, length, big, raw in _columns(payload, (16, 24)):
            where = Field(channel, identifier, byte, length, big)
            same = (channel, identifier) == (voltage.channel, voltage.identifier)
            if same and byte <= voltage.byte < byte + length // 8:
                continue
            series = Series(time_ns, raw.astype(np.float64), raw)
            usual = float(np.percentile(np.abs(np.diff(series.value)), 90)) + 1.0
            before = series.held(at - 1_000_000_000, 3.0)
            away = [
                np.abs(series.between(t - 400_000_000, t + 400_000_000) - b).max(initial=0.0)
                for t, b in zip(at.tolist(), before, strict=True)
            ]
            ratio = float(np.median(away)) / usual
            if np.isfinite(ratio) and ratio > OUTSTANDING and len(np.unique(raw[:5000])) > 10:
                rated.append((ratio, str(where)))
    return [where for _, where in sorted(rated, reverse=True)[:SHOWN]]
