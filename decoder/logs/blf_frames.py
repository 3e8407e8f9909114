"""From a chain of BLF objects to one batch of frames."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Flag, FrameBatch, Int64Array, ReadReport
from decoder.logs.blf_chain import Chain
from decoder.logs.blf_objects import CONTAINER, LAYOUTS, LIN_CHANNEL, LIN_EVENTS, Rows, gather, read_objects, times
from decoder.logs.source import ReadOptions

_KNOWN_TYPES = 256
_HEADERS = {1: 32, 2: 40}  # bytes by version


def frames_of(
    data: ByteArray,
    chain: Chain,
    start_ns: int,
    report: ReadReport,
    options: ReadOptions,
    where: Callable[[int], str],
) -> FrameBatch | None:
    """The frames among the objects, in order; None if there is none. Counts what holds no frame or is damaged."""
    sound = np.ones(len(chain.position), np.bool_)
    sound[chain.sizeless] = False
    position, kind = chain.position[sound], chain.kind[sound]
    kind = np.where(kind < _KNOWN_TYPES, kind, 0)
    groups: list[tuple[Int64Array, Int64Array, Rows]] = []
    for code in np.flatnonzero(np.bincount(kind)).tolist():
        of_kind = np.flatnonzero(kind == code) if len(kind) else np.empty(0, np.int64)
        if code in LAYOUTS:
            groups += _read_kind(data, position, of_kind, code, report, options, where)
        elif code != CONTAINER:
            name = LIN_EVENTS.get(code, f"object_type_{code}" if code else "object_type_unknown")
            report.skipped[name] = report.skipped.get(name, 0) + len(of_kind)
    return _join(groups, start_ns) if groups else None


def _read_kind(
    data: ByteArray,
    position: Int64Array,
    rows: Int64Array,
    code: int,
    report: ReadReport,
    options: ReadOptions,
    where: Callable[[int], str],
) -> list[tuple[Int64Array, Int64Array, Rows]]:
    """Objects of one type, by version of their header: (place in the chain, time, columns)."""
    layout = LAYOUTS[code]
    prefix = gather(data, position[rows], 12)
    version = prefix.view("<u2")[:, 3]
    size = prefix.view("<u4")[:, 2].astype(np.int64)
    groups = []
    left = np.ones(len(rows), np.bool_)
    for number, header in _HEADERS.items():
        chosen = (version == number) & (size >= header + layout.body_bytes)
        left &= ~chosen
        if not chosen.any():
            continue
        here = rows if chosen.all() else rows[chosen]
        at = position[here]
        time_ns, true = times(data, at)
        found = read_objects(data, at, size[chosen], header, layout)
        true &= (found.channel & ~np.uint16(LIN_CHANNEL)) == (found.channel & np.uint16(LIN_CHANNEL - 1))
        for row in np.flatnonzero(~true)[: report.MAX_DAMAGE].tolist():
            report.drop("impossible_time", where(int(at[row])))
        report.frames += int(true.sum())
        keep = true & _wanted(found, options.wanted)
        groups.append((here, time_ns, found) if keep.all() else (here[keep], time_ns[keep], _select(found, keep)))
    for row in np.flatnonzero(left).tolist():
        report.drop("damaged_record", where(int(position[rows[row]])))
    return groups


def _wanted(rows: Rows, wanted: frozenset[int] | None) -> BoolArray:
    """Which frames to hand out: the wanted identifiers, and everything that tells of an error."""
    if wanted is None:
        return np.ones(len(rows.identifier), np.bool_)
    sought = np.array([number for number in wanted if 0 <= number <= 0xFFFF_FFFF], np.uint32)
    chosen: BoolArray = np.isin(rows.identifier, sought)
    chosen |= rows.flags & Flag.ERROR != 0
    return chosen


def _select(rows: Rows, keep: BoolArray) -> Rows:
    return Rows(
        rows.channel[keep],
        rows.identifier[keep],
        rows.flags[keep],
        rows.length[keep],
        rows.payload[keep],
        None if rows.checksum is None else rows.checksum[keep],
    )


def _join(groups: list[tuple[Int64Array, Int64Array, Rows]], start_ns: int) -> FrameBatch:
    """One batch of all groups, in the order of the chain."""
    if len(groups) == 1:
        _, time_ns, rows = groups[0]
    else:
        order = np.argsort(np.concatenate([places for places, _, _ in groups]), kind="stable")
        time_ns = np.concatenate([time for _, time, _ in groups])[order]
        parts = [rows for _, _, rows in groups]
        rows = Rows(
            np.concatenate([part.channel for part in parts])[order],
            np.concatenate([part.identifier for part in parts])[order],
            np.concatenate([part.flags for part in parts])[order],
            np.concatenate([part.length for part in parts])[order],
            _payload(parts)[order],
            _checksum(parts, order),
        )
    channel, channels = _name_channels(rows.channel)
    return FrameBatch(
        time_ns + start_ns,
        channel,
        channels,
        rows.identifier,
        rows.flags,
        rows.length,
        _narrow(rows.payload, rows.length),
        rows.checksum,
    )


def _payload(parts: list[Rows]) -> ByteArray:
    width = max(part.payload.shape[1] for part in parts)
    if all(part.payload.shape[1] == width for part in parts):
        return np.concatenate([part.payload for part in parts])
    joined = np.zeros((sum(len(part.length) for part in parts), width), np.uint8)
    first = 0
    for part in parts:
        joined[first : first + len(part.length), : part.payload.shape[1]] = part.payload
        first += len(part.length)
    return joined


def _narrow(payload: ByteArray, length: ByteArray) -> ByteArray:
    """Eight columns where no payload needs more."""
    if payload.shape[1] > 8 and not (len(length) and int(length.max()) > 8):
        return np.ascontiguousarray(payload[:, :8])
    return np.ascontiguousarray(payload)


def _checksum(parts: list[Rows], order: Int64Array) -> NDArray[np.int16] | None:
    if all(part.checksum is None for part in parts):
        return None
    columns = [np.full(len(part.length), -1, np.int16) if part.checksum is None else part.checksum for part in parts]
    return np.concatenate(columns)[order]


def _name_channels(number: NDArray[np.uint16]) -> tuple[NDArray[np.uint16], tuple[str, ...]]:
    """Index into names: "1" for the first CAN channel, "L1" for the first LIN channel."""
    present = np.flatnonzero(np.bincount(number, minlength=1)).tolist()
    names = tuple(f"L{code & ~LIN_CHANNEL}" if code & LIN_CHANNEL else str(code) for code in present)
    if len(present) == 1:
        return np.zeros(len(number), np.uint16), names
    index = np.zeros(1 << 16, np.uint16)
    index[present] = np.arange(len(present))
    return index[number], names
