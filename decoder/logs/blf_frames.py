"""From a chain of BLF objects to one batch of frames."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from decoder.frames import ByteArray, Flag, FrameBatch, Int64Array, ReadReport
from decoder.logs.blf_chain import Chain
from decoder.logs.blf_objects import CONTAINER, LAYOUTS, LIN_EVENTS, Objects, identifiers, read_objects
from decoder.logs.frame_columns import Columns, concatenate, drop_all, is_wanted, make_batch
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
    objects = Objects(data, chain.position, chain.step)
    kind = chain.kind[:1] if chain.step else chain.kind
    kind = np.where(kind < _KNOWN_TYPES, kind, 0)
    if len(chain.sizeless):
        sound = np.ones(len(kind), np.bool_)
        sound[chain.sizeless] = False
        objects, kind = objects.select(np.flatnonzero(sound)), kind[sound]
    present = np.flatnonzero(np.bincount(kind)).tolist() if len(kind) else []
    groups: list[tuple[Int64Array, Columns]] = []
    for code in present:
        of_kind = None if len(present) == 1 else np.flatnonzero(kind == code)
        own = objects if of_kind is None else objects.select(of_kind)
        if code in LAYOUTS:
            read = _read_kind(own, code, report, options, where)
            groups += read if of_kind is None else [(of_kind[rows], found) for rows, found in read]
        elif code in {0, CONTAINER}:
            drop_all(report, "damaged_record", own.position, where)
        else:
            name = LIN_EVENTS.get(code, f"object_type_{code}")
            report.skip(name, len(own.position))
    if not groups:
        return None
    columns = concatenate([found for _, found in groups])
    if len(groups) > 1:
        columns = columns.select(np.argsort(np.concatenate([place for place, _ in groups]), kind="stable"))
    columns.time_ns += start_ns
    return make_batch(columns)


def _read_kind(
    objects: Objects,
    code: int,
    report: ReadReport,
    options: ReadOptions,
    where: Callable[[int], str],
) -> list[tuple[Int64Array, Columns]]:
    """Objects of one type, by version of their header: (their rows, columns)."""
    layout = LAYOUTS[code]
    version, size = objects.number("<u2", 6), objects.number("<u4", 8)
    count = len(version)
    if objects.step:  # what the header says of the first, it says of all
        version, size = version[:1], size[:1]
    groups = []
    left = np.ones(len(version), np.bool_)
    for number, header in _HEADERS.items():
        chosen = (version == number) & (size >= header + layout.body_bytes)
        if not chosen.any():
            continue
        left &= ~chosen
        rows = np.arange(count) if chosen.all() else np.flatnonzero(chosen)
        own = objects if len(rows) == count else objects.select(rows)
        if options.wanted is not None and "id" in layout.fields and not layout.flags & Flag.ERROR:
            keep = is_wanted(identifiers(own, header, layout), np.zeros(len(rows), np.uint16), options.wanted)
            report.frames += len(keep) - int(np.count_nonzero(keep))
            own, rows = own.select(np.flatnonzero(keep)), rows[keep]
        found, true = read_objects(own, header, layout)
        report.frames += len(rows)
        if not true.all():
            drop_all(report, "impossible_time", own.position[~true], where)
            report.frames -= int(np.count_nonzero(~true))
        if options.wanted is not None:
            true &= is_wanted(found.identifier, found.flags, options.wanted)
        groups.append((rows, found) if true.all() else (rows[true], found.select(true)))
    if left.any():
        drop_all(report, "damaged_record", objects.position[np.broadcast_to(left, count)], where)
    return groups
