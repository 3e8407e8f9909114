"""Frames as a BLF log: CAN messages (object 86) and LIN messages (object 57) in compressed containers."""

from __future__ import annotations

import struct
import zlib
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from decoder.frames import Flag, FrameBatch

_FILE_HEADER = 144
_CONTAINER_BYTES = 128 * 1024
_CAN, _LIN, _CONTAINER = 86, 57, 10
_CAN_BYTES, _LIN_BYTES = 48, 184

_OBJECT = np.dtype(
    [
        ("signature", "S4"),
        ("header_size", "<u2"),
        ("header_version", "<u2"),
        ("size", "<u4"),
        ("type", "<u4"),
        ("flags", "<u4"),  # 2: the time stamp counts nanoseconds
        ("client", "<u2"),
        ("version", "<u2"),
        ("time", "<u8"),
    ]
)
_CAN_OBJECT = np.dtype(
    [("head", _OBJECT), ("channel", "<u2"), ("flags", "u1"), ("length", "u1"), ("id", "<u4"), ("data", "u1", 8)]
)
_LIN_OBJECT = np.dtype(
    [
        ("head", _OBJECT),
        ("start_of_frame", "<u8"),
        ("event_baud", "<u4"),
        ("channel", "<u2"),
        ("pad", "<u2"),
        ("break_ns", "<u8"),
        ("delimiter_ns", "<u8"),
        ("supplier", "<u2"),
        ("message", "<u2"),
        ("node", "u1"),
        ("id", "u1"),
        ("length", "u1"),
        ("checksum_model", "u1"),  # 1: enhanced
        ("byte_ns", "<u8", 9),
        ("data", "u1", 8),
        ("checksum", "<u2"),
        ("direction", "u1"),
        ("other", "u1", 9),
        ("response_baud", "<u4"),
        ("header_baud", "<f8"),
        ("stop_bit", "<u4"),
        ("response_stop_bit", "<u4"),
    ]
)


def write_blf(path: Path, frames: FrameBatch) -> None:
    """Write a BLF log; both buses are channel 1 of their kind, times count from the first frame's second, UTC.

    Source: there is no public specification; the layout is the one that open readers of the format agree on.
    """
    start_ns = int(frames.time_ns[0]) // 1_000_000_000 * 1_000_000_000
    data = _objects(frames, start_ns)
    body: list[bytes] = []
    for first in range(0, len(data), _CONTAINER_BYTES):
        piece = data[first : first + _CONTAINER_BYTES]
        packed = zlib.compress(piece, 6)
        size = 32 + len(packed)
        body.append(struct.pack("<4sHHLLH6xL4x", b"LOBJ", 16, 1, size, _CONTAINER, 2, len(piece)))
        body.append(packed + bytes(size % 4))
    size = _FILE_HEADER + sum(len(part) for part in body)
    inflated = _FILE_HEADER + len(data) + 32 * -(-len(data) // _CONTAINER_BYTES)
    head = struct.pack("<4sL8BQQLL", b"LOGG", _FILE_HEADER, 0, 0, 0, 0, 2, 6, 8, 1, size, inflated, len(frames), 0)
    head += _system_time(start_ns) + _system_time(int(frames.time_ns[-1]))
    path.write_bytes(b"".join([head.ljust(_FILE_HEADER, b"\0"), *body]))


def _objects(frames: FrameBatch, start_ns: int) -> bytes:
    is_lin = frames.flags & Flag.LIN != 0
    table = np.zeros((len(frames), _LIN_BYTES), np.uint8)
    can = np.zeros(int((~is_lin).sum()), _CAN_OBJECT)
    lin = np.zeros(int(is_lin.sum()), _LIN_OBJECT)
    for rows, chosen, kind in ((can, ~is_lin, _CAN), (lin, is_lin, _LIN)):
        _fill(rows, frames, chosen, kind, start_ns)
    extended = frames.flags[~is_lin] & Flag.EXTENDED != 0
    can["id"] |= extended.astype(np.uint32) << 31
    lin["start_of_frame"] = lin["head"]["time"]
    lin["event_baud"], lin["response_baud"], lin["header_baud"] = 19200, 19200, 19200.0
    lin["checksum_model"] = 1
    if frames.checksum is not None:
        lin["checksum"] = np.maximum(frames.checksum[is_lin], 0)
    table[~is_lin, :_CAN_BYTES] = can.view(np.uint8).reshape(-1, _CAN_BYTES)
    table[is_lin] = lin.view(np.uint8).reshape(-1, _LIN_BYTES)
    used = np.arange(_LIN_BYTES) < np.where(is_lin, _LIN_BYTES, _CAN_BYTES)[:, None]
    data: bytes = table[used].tobytes()
    return data


def _fill(rows: NDArray[np.void], frames: FrameBatch, chosen: NDArray[np.bool_], kind: int, start_ns: int) -> None:
    head = rows["head"]
    head["signature"], head["header_size"], head["header_version"] = b"LOBJ", 32, 1
    head["size"], head["type"], head["flags"] = rows.dtype.itemsize, kind, 2
    head["time"] = frames.time_ns[chosen] - start_ns
    rows["channel"] = 1
    rows["id"] = frames.identifier[chosen]
    rows["length"] = frames.length[chosen]
    rows["data"] = frames.payload[chosen, :8]


def _system_time(time_ns: int) -> bytes:
    t = datetime.fromtimestamp(time_ns // 1_000_000_000, UTC)
    millis = time_ns % 1_000_000_000 // 1_000_000
    return struct.pack("<8H", t.year, t.month, t.isoweekday() % 7, t.day, t.hour, t.minute, t.second, millis)
