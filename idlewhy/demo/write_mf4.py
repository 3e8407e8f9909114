"""Frames as an MF4 bus log: one group of CAN data frames and one of LIN frames, uncompressed and sorted."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from decoder.frames import Flag, FrameBatch
from idlewhy.demo.mdf_blocks import BYTES, UNSIGNED, Blocks, Field, block

_CAN_ROW = np.dtype(
    [("time", "<f8"), ("bus", "u1"), ("id", "<u4"), ("length", "u1"), ("more", "u1"), ("data", "u1", 8)]
)
_CAN_FIELDS: tuple[Field, ...] = (
    ("BusChannel", UNSIGNED, 8, 0, 8),
    ("ID", UNSIGNED, 9, 0, 29),
    ("IDE", UNSIGNED, 12, 7, 1),
    ("DLC", UNSIGNED, 13, 0, 4),
    ("DataLength", UNSIGNED, 14, 0, 7),
    ("Dir", UNSIGNED, 14, 7, 1),
    ("DataBytes", BYTES, 15, 0, 64),
)
_LIN_ROW = np.dtype(
    [
        ("time", "<f8"),
        ("bus", "u1"),
        ("id", "u1"),
        ("length", "u1"),
        ("received", "u1"),
        ("sum", "u1"),
        ("data", "u1", 8),
    ]
)
_LIN_FIELDS: tuple[Field, ...] = (
    ("BusChannel", UNSIGNED, 8, 0, 8),
    ("ID", UNSIGNED, 9, 0, 6),
    ("Dir", UNSIGNED, 9, 7, 1),
    ("DataLength", UNSIGNED, 10, 0, 8),
    ("ReceivedDataByteCount", UNSIGNED, 11, 0, 8),
    ("Checksum", UNSIGNED, 12, 0, 8),
    ("DataBytes", BYTES, 13, 0, 64),
)
_HEAD_BYTES = 24 + 6 * 8 + 32
_COMMENT = "<FHcomment><TX>created</TX><tool_id>idlewhy demo</tool_id><tool_vendor>idlewhy</tool_vendor></FHcomment>"


def write_mf4(path: Path, frames: FrameBatch) -> None:
    """Write an MDF 4.1 file; both buses are channel 1 of their kind, times in seconds from the first frame's second.

    Source: ASAM MDF 4.1 and its bus-logging names (CAN_DataFrame, LIN_Frame), from memory; see the tests.
    """
    start_ns = int(frames.time_ns[0]) // 1_000_000_000 * 1_000_000_000
    blocks = Blocks()
    blocks.raw(struct.pack("<8s8s8s4xH30xHH", b"MDF     ", b"4.10    ", b"idlewhy ", 410, 0, 0))
    blocks.raw(bytes(_HEAD_BYTES))  # the header comes last, when its links are known
    following = 0
    is_lin = frames.flags & Flag.LIN != 0
    if is_lin.any():
        following = _group(blocks, "LIN_Frame", 3, _LIN_FIELDS, _lin_rows(frames, is_lin, start_ns), following)
    if not is_lin.all():
        following = _group(blocks, "CAN_DataFrame", 2, _CAN_FIELDS, _can_rows(frames, ~is_lin, start_ns), following)
    history = blocks.add("FH", (0, blocks.text(_COMMENT)), struct.pack("<QhhB3x", start_ns, 0, 0, 2))
    head = block("HD", (following, history, 0, 0, 0, 0), struct.pack("<QhhBBBxdd", start_ns, 0, 0, 2, 0, 0, 0.0, 0.0))
    blocks.parts[1] = head
    path.write_bytes(b"".join(blocks.parts))


def _group(
    blocks: Blocks, name: str, bus_type: int, fields: tuple[Field, ...], rows: NDArray[np.void], following: int
) -> int:
    group = blocks.bus_group(name, bus_type, fields, len(rows), rows.dtype.itemsize)
    data = blocks.add("DT", (), rows.tobytes())
    return blocks.add("DG", (following, group, data, 0), bytes(8))


def _can_rows(frames: FrameBatch, chosen: NDArray[np.bool_], start_ns: int) -> NDArray[np.void]:
    rows = _rows(_CAN_ROW, frames, chosen, start_ns)
    extended = frames.flags[chosen] & Flag.EXTENDED != 0
    rows["id"] = frames.identifier[chosen] | extended.astype(np.uint32) << 31
    rows["more"] = frames.length[chosen]
    return rows


def _lin_rows(frames: FrameBatch, chosen: NDArray[np.bool_], start_ns: int) -> NDArray[np.void]:
    rows = _rows(_LIN_ROW, frames, chosen, start_ns)
    rows["id"] = frames.identifier[chosen]
    rows["received"] = frames.length[chosen]
    if frames.checksum is not None:
        rows["sum"] = np.maximum(frames.checksum[chosen], 0)
    return rows


def _rows(form: np.dtype[np.void], frames: FrameBatch, chosen: NDArray[np.bool_], start_ns: int) -> NDArray[np.void]:
    rows = np.zeros(int(chosen.sum()), form)
    rows["time"] = (frames.time_ns[chosen] - start_ns) / 1e9
    rows["bus"] = 1
    rows["length"] = frames.length[chosen]
    rows["data"] = frames.payload[chosen, :8]
    return rows
