"""From a chain of BLF objects to one batch of frames."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from decoder.frames import ByteArray, Flag, FrameBatch, Int64Array, ReadReport
from decoder.logs.blf_chain import Chain
from decoder.logs.blf_objects import CONTAINER, LAYOUTS, LIN_EVENTS, identifiers, read_objects, times
from decoder.logs.frame_columns import Columns, concatenate, drop_all, gather, is_wanted, make_batch
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
    groups: list[tuple[Int64Array, Columns]] = []
    for code in np.flatnonzero(np.bincount(kind)).tolist():
        of_kind = np.flatnonzero(kind == code) if len(kind) else np.empty(0, np.int64)
        if code in LAYOUTS:
            groups += _read_kind(data, position, of_kind, code, report, options, where)
        elif code in {0, CONTAINER}:
            drop_all(report, "damaged_record", position[of_kind], where)
        else:
            name = LIN_EVENTS.get(code, f"object_type_{code}")
            report.skipped[name] = report.skipped.get(name, 0) + len(of_kind)
    if not groups:
        return None
    columns = concatenate([found for _, found in groups])
    if len(groups) > 1:
        columns = columns.select(np.argsort(np.concatenate([place for place, _ in groups]), kind="stable"))
    columns.time_ns += start_ns
    return make_batch(columns)


def _read_kind(
    data: ByteArray,
    position: Int64Array,
    rows: Int64Array,
    code: int,
    report: ReadReport,
    options: ReadOptions,
    where: Callable[[int], str],
) -> list[tuple[Int64Array, Columns]]:
    """Objects of one type, by version of their header: (place in the chain, columns)."""
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
        index = np.flatnonzero(chosen)
        if options.wanted is not None and "id" in layout.fields and not layout.flags & Flag.ERROR:
            number_at = identifiers(data, position[rows[index]] + header, layout)
            keep = is_wanted(number_at, np.zeros(len(index), np.uint16), options.wanted)
            report.frames += len(keep) - int(np.count_nonzero(keep))
            index = index[keep]
        here = rows[index]
        at = position[here]
        time_ns, true = times(data, at)
        found = read_objects(data, at, size[index], header, layout, time_ns)
        drop_all(report, "impossible_time", at[~true], where)
        report.frames += int(true.sum())
        keep = true & is_wanted(found.identifier, found.flags, options.wanted)
        groups.append((here, found) if keep.all() else (here[keep], found.select(keep)))
    drop_all(report, "damaged_record", position[rows[left]], where)
    return groups
