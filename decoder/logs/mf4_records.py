"""Records of one MF4 data group as frames: one kind of record after the other, or several kinds mixed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from decoder.frames import BoolArray, ByteArray, Int64Array, ReadReport
from decoder.logs.frame_columns import Columns, clear_past, concatenate, drop_all, gather, is_wanted
from decoder.logs.mf4_blocks import MASTER, VLSD_GROUP, BlockFile, Channel, DataGroup
from decoder.logs.mf4_data import VariableValues, pieces
from decoder.logs.mf4_groups import FrameGroup, columns, frame_group, identifiers, stated_length, times, value_offsets
from decoder.logs.mf4_split import Clock, Split, find_next, split
from decoder.logs.mf4_waiting import LONGEST, Waiting, at_byte, values_at

_ROWS = 262_144  # records looked at together
_JITTER_NS = 1_000_000_000  # time may run back by less than this between kinds of record that a recorder buffers apart
_LONGEST_LOG_S = 400.0 * 86_400  # of time stamps that are believed behind damage
_NOWHERE = np.empty(0, np.int64)
_MOST_SEARCHES = 200  # for the next sound record behind damage


@dataclass(slots=True)
class Context:
    """What reading a file needs at every step. finished: the recorder closed the file, so its counts hold."""

    file: BlockFile
    report: ReadReport
    wanted: frozenset[int] | None
    finished: bool


def read_group(context: Context, data_group: DataGroup) -> Iterator[Columns]:
    """The frames of a data group in file order."""
    groups = {group.record_id: frame_group(group) for group in data_group.groups}
    if len(data_group.groups) == 1:
        group = groups[data_group.groups[0].record_id]
        if group is not None and group.group.size:
            yield from _read_alone(context, data_group, group)
        return
    yield from _read_mixed(context, data_group, {key: group for key, group in groups.items() if group is not None})


def _read_alone(context: Context, data_group: DataGroup, group: FrameGroup) -> Iterator[Columns]:
    """Records of one layout and size, one behind the other."""
    variable = group.variable
    values = VariableValues(context.file, variable.link, context.report) if variable is not None else None
    for records, first, place in _matrices(context, data_group, group):
        step = records.shape[1]
        frames = _frames(context, records[:, data_group.id_bytes :], group, first, place, step)
        if values is not None and variable is not None:
            frames.take_values(context, values, variable)
        yield frames.columns(context)


def _matrices(context: Context, data_group: DataGroup, group: FrameGroup) -> Iterator[tuple[ByteArray, int, int]]:
    """Whole records as rows, the number of the first and its place in the file; `_ROWS` at most."""
    step = data_group.id_bytes + group.group.size
    limit = group.group.count if context.finished else 0
    carry, seen, end = np.empty(0, np.uint8), 0, 0
    for piece in pieces(context.file, data_group.data, context.report):
        start = piece.offset - len(carry)
        if piece.offset != end:
            carry, start = np.empty(0, np.uint8), piece.offset
        end = piece.offset + len(piece.data)
        if piece.columns == step and start % step == 0 and not len(carry):
            rows = len(piece.data) // step
            matrix = piece.data[: rows * step].reshape(step, rows).T
            carry = piece.data[rows * step :]
        else:
            data = np.concatenate([carry, piece.in_order()])
            skip = -start % step if start % step else 0
            rows = max(len(data) - skip, 0) // step
            matrix = data[skip : skip + rows * step].reshape(rows, step)
            carry = data[skip + rows * step :]
        for row in range(0, len(matrix), _ROWS):
            part = matrix[row : row + _ROWS]
            if limit and (start // step) + row + len(part) > limit:
                part = part[: max(limit - start // step - row, 0)]
            if len(part):
                seen += len(part)
                yield part, start // step + row, piece.place
    if limit > seen:
        context.report.drop("missing_record", f"byte {data_group.data}", limit - seen)
    elif len(carry) and not limit:
        context.report.drop("cut_off", f"byte {context.file.size}")


@dataclass(slots=True, eq=False)
class _Frames:
    """Records that are about to become columns."""

    records: ByteArray
    group: FrameGroup
    time_ns: Int64Array
    identifier: np.ndarray[tuple[int], np.dtype[np.uint32]]
    flags: np.ndarray[tuple[int], np.dtype[np.uint16]]
    places: Int64Array
    values: tuple[ByteArray, ByteArray] | None = None

    def select(self, keep: BoolArray) -> None:
        if keep.all():
            return
        self.records, self.time_ns, self.places = self.records[keep], self.time_ns[keep], self.places[keep]
        self.identifier, self.flags = self.identifier[keep], self.flags[keep]

    def take_values(self, context: Context, values: VariableValues, channel: Channel) -> None:
        """Fetch the payloads that the records point to; a record without one is dropped."""
        if not len(self.records):
            self.values = np.zeros((0, 8), np.uint8), np.zeros(0, np.uint8)
            return
        offset = value_offsets(self.records, channel)
        window, start = values.window(int(offset.min()), int(offset.max()), 4 + LONGEST)
        payload, length, found = values_at(window, offset - start)
        drop_all(context.report, "missing_payload", self.places[~found], at_byte)
        self.select(found)
        self.values = (payload[found], length[found])

    def columns(self, context: Context) -> Columns:
        if self.values is not None and len(self.records):
            payload, length = self.values
            length = np.minimum(length, stated_length(self.records, self.group))
            width = 8 if int(length.max()) <= 8 else LONGEST
            self.values = clear_past(payload[:, :width], length), length
        context.report.frames += len(self.records) if context.wanted is None else 0
        return columns(self.records, self.group, self.time_ns, self.identifier, self.flags, self.values)


def _frames(context: Context, records: ByteArray, group: FrameGroup, first: int, place: int, step: int) -> _Frames:
    """The records that are frames with a possible time and a wanted identifier."""
    places = np.arange(place, place + step * len(records), step)
    return _sift(context, records, group, first, places)


def _sift(context: Context, records: ByteArray, group: FrameGroup, first: int, places: Int64Array) -> _Frames:
    time_ns, true = times(records, group.time, first)
    drop_all(context.report, "impossible_time", places[~true], at_byte)
    identifier, flags = identifiers(records, group)
    frames = _Frames(records, group, time_ns, identifier, flags, places)
    if context.wanted is not None:
        context.report.frames += int(true.sum())
        true &= is_wanted(identifier, flags, context.wanted)
    frames.select(true)
    return frames


def _read_mixed(context: Context, data_group: DataGroup, groups: dict[int, FrameGroup]) -> Iterator[Columns]:
    """Records of several kinds in any order, each behind its identifier."""
    if not data_group.id_bytes:
        context.report.drop("damaged_group", f"byte {data_group.place}", -1)
        return
    sizes = {group.record_id: -1 if group.flags & VLSD_GROUP else group.size for group in data_group.groups}
    by_place = {group.place: group.record_id for group in data_group.groups}
    waiting = {
        by_place[group.variable.link]: Waiting(group)
        for group in groups.values()
        if group.variable is not None and group.variable.link in by_place
    }
    clocks = {key: clock for key, group in groups.items() if (clock := _clock(group)) is not None}
    carry, end, searches = b"", 0, 0
    for piece in pieces(context.file, data_group.data, context.report):
        data = carry + piece.in_order().tobytes()
        start, carry_bytes = 0, len(carry)
        if piece.offset != end:
            data, carry_bytes = data[carry_bytes:], 0
            start = find_next(data, 0, sizes, data_group.id_bytes, clocks)
        end = piece.offset + len(piece.data)
        base = piece.place - carry_bytes
        while start >= 0:
            found = split(data, start, sizes, data_group.id_bytes)
            start = -1
            if found.broken and searches < _MOST_SEARCHES:
                searches += 1
                last = found.last
                start = find_next(data, last + 1, sizes, data_group.id_bytes, clocks)
                if 0 <= start < found.end:  # the last record swallowed sound ones: its length is false
                    found.forget(last)
                context.report.drop("damaged_record", f"byte {base + last}", -1)
            yield from _mixed_frames(context, data_group, groups, waiting, data, found, base)
            carry = b"" if found.broken else data[found.end :]
    if carry:
        context.report.drop("cut_off", f"byte {context.file.size}")
    nothing = Split({}, 0, broken=False)
    yield from _mixed_frames(context, data_group, groups, waiting, b"", nothing, 0, final=True)


def _clock(group: FrameGroup) -> Clock | None:
    """Where records of this group keep their time, if it is a plain little-endian number."""
    time = group.time
    factor = time.steps[1] if time.steps is not None else 1.0
    if time.kind != MASTER or time.bit_offset or time.bit_count % 8 or time.data_type not in {0, 4} or factor <= 0:
        return None
    return Clock(time.byte_offset, time.bit_count // 8, time.data_type == 4, _LONGEST_LOG_S / factor)


def _mixed_frames(
    context: Context,
    data_group: DataGroup,
    groups: dict[int, FrameGroup],
    waiting: dict[int, Waiting],
    data: bytes,
    found: Split,
    base: int,
    *,
    final: bool = False,
) -> Iterator[Columns]:
    """One batch of the records found in data, in file order."""
    view = np.frombuffer(data, np.uint8)
    for key, pair in waiting.items():
        if key in found.position and len(found.position[key]):
            pair.add_values(view, found.position[key], data_group.id_bytes)
    by_group = {id(pair.group): pair for pair in waiting.values()}
    parts, places = [], []
    for key, group in groups.items():
        position = found.position.get(key, _NOWHERE)
        own = by_group.get(id(group))
        if not len(position) and (own is None or own.records is None):
            continue
        records = gather(view, position + data_group.id_bytes, group.group.size)
        place = base + position
        values = None
        if own is not None:
            records, place, values = own.meet(context.report, records, place, final=final)
        frames = _sift_with(context, records, group, place, values)
        parts.append(frames.columns(context))
        places.append(frames.places)
    if sum(len(part) for part in parts):
        yield _in_order(concatenate(parts), np.concatenate(places))


def _in_order(frames: Columns, places: Int64Array) -> Columns:
    """By place in the file; by time where kinds of record were only flushed at different moments."""
    frames = frames.select(np.argsort(places, kind="stable"))
    back = np.diff(frames.time_ns)
    if len(back) and -_JITTER_NS < int(back.min()) < 0:
        return frames.select(np.argsort(frames.time_ns, kind="stable"))
    return frames


def _sift_with(
    context: Context,
    records: ByteArray,
    group: FrameGroup,
    places: Int64Array,
    values: tuple[ByteArray, ByteArray] | None,
) -> _Frames:
    """As `_sift`, with payloads that are already at hand."""
    if values is None:
        return _sift(context, records, group, 0, places)
    row = np.arange(len(records), dtype=np.int64)
    frames = _sift(context, records, group, 0, row)
    kept = frames.places
    frames.values = values[0][kept], values[1][kept]
    frames.places = places[kept]
    return frames
