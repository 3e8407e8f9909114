"""MF4 (ASAM MDF 4) bus logging: CAN, CAN FD and LIN frames, their errors, sorted or not, finished or not.

Source: ASAM MDF 4.1 as openly licensed readers and recorders use it; the standard itself was not read.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import BinaryIO

import numpy as np

from decoder.frames import FrameBatch, ReadReport
from decoder.logs.frame_columns import Columns, concatenate, make_batch
from decoder.logs.mf4_blocks import BlockFile, DataGroup
from decoder.logs.mf4_groups import EVENTS, KINDS, frame_group, group_kind
from decoder.logs.mf4_records import Context, read_group
from decoder.logs.rows import MAX_TIME_NS
from decoder.logs.source import LogStream, ReadOptions
from signal_defs.errors import LogError

FORMAT = "mf4"
_FINISHED, _UNFINISHED = b"MDF     ", b"UnFinMF "
_LOCAL_TIME = 1  # bit of the header's time flags


def sniff(head: bytes, name: str) -> float:
    """1 where the file begins with the format's identification, of any version."""
    del name
    return float(head[:8] in {_FINISHED, _UNFINISHED} and head[8:9].isdigit())


def read(stream: LogStream | BinaryIO, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    """Frames of an MF4 log, merged by time where the file keeps them apart by kind; see `decoder.logs`.

    Raises LogError for other versions of the format and for files that hold no bus logging.
    """
    seekable = stream.random_access() if isinstance(stream, LogStream) else stream
    try:
        yield from _read(BlockFile(seekable), report, options)
    finally:
        if seekable is not stream:
            seekable.close()


def _read(file: BlockFile, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    head = file.bytes_at(0, 64)
    if head[8:9] != b"4":
        version = head[8:12].decode("ascii", "replace").strip()
        raise LogError(f"This is version {version} of the measurement format.", mend="Convert it to version 4.")
    data_groups = file.data_groups()
    if not data_groups:
        report.drop("damaged_block", "byte 64", -1)
        return
    chosen = _of_frames(data_groups, report)
    if not chosen and file.is_cut:
        report.drop("cut_off", f"byte {file.size}", -1)
        return
    if not chosen:
        raise LogError(
            "This MF4 file holds measured signals, but no bus frames.",
            mend="Record the bus itself: groups named CAN_DataFrame or LIN_Frame.",
        )
    start_ns = _start_time(file, report)
    context = Context(file, report, options.wanted, head[:8] == _FINISHED)
    sources = [read_group(context, group) for group in chosen]
    for columns in _merge(sources) if len(sources) > 1 else sources[0]:
        if len(columns):
            yield make_batch(_shifted(columns, start_ns))


def _of_frames(data_groups: tuple[DataGroup, ...], report: ReadReport) -> list[DataGroup]:
    """The data groups with frames; counts frames and events that cannot be used."""
    chosen = []
    for data_group in data_groups:
        kinds = {group_kind(group) for group in data_group.groups}
        for group in data_group.groups:
            kind = group_kind(group)
            if kind in EVENTS and group.count:
                report.skip(kind, group.count)
            if kind in KINDS and frame_group(group) is None:
                report.drop("damaged_group", f"byte {group.place}", -1)
        if kinds & KINDS.keys():
            chosen.append(data_group)
    return chosen


def _start_time(file: BlockFile, report: ReadReport) -> int:
    """The log's start [ns since 1970]; 0 where it has none."""
    header = file.block(64)
    if header is None or len(header.data) < 13:
        return 0
    start_ns, _, _, flags = struct.unpack_from("<QhhB", header.data)
    if not 0 < start_ns <= MAX_TIME_NS:
        return 0
    if flags & _LOCAL_TIME:
        report.note("The start time is local time without its zone; it is read as UTC.")
    return int(start_ns)


def _shifted(columns: Columns, start_ns: int) -> Columns:
    columns.time_ns += start_ns
    return columns


def _merge(sources: list[Iterator[Columns]]) -> Iterator[Columns]:
    """One stream by time out of several; each is sorted well enough that its last frame at hand bounds what follows."""
    held: list[Columns | None] = [None] * len(sources)
    live = set(range(len(sources)))
    while live or any(part is not None for part in held):
        for index in sorted(live):
            part = held[index]
            while index in live and (part is None or not len(part)):
                part = next(sources[index], None)
                if part is None:
                    live.discard(index)
            held[index] = part
        until = min((int(part.time_ns[-1]) for index in live if (part := held[index]) is not None), default=None)
        ready = []
        for index, part in enumerate(held):
            if part is None:
                continue
            due = slice(0, len(part)) if until is None else _up_to(part, until)
            ready.append(part.select(due))
            rest = part.select(slice(due.stop, None))
            held[index] = rest if len(rest) else None
        filled = [part for part in ready if len(part)]
        if filled:
            joined = concatenate(filled)
            yield joined.select(np.argsort(joined.time_ns, kind="stable"))


def _up_to(part: Columns, until: int) -> slice:
    """Rows up to and with the last one that is not later than until."""
    due = np.flatnonzero(part.time_ns <= until)
    return slice(0, int(due[-1]) + 1 if len(due) else 0)
