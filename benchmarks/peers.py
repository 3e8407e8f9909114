"""What is measured: our decoder, the plain loop over two general libraries, and the vectorised library."""

from __future__ import annotations

import time
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from decoder.signals import Column, decode_signals
from signal_defs.platform import Platform


def timed(work: Callable[[], int]) -> tuple[float, float, int]:
    """CPU seconds, wall seconds, and what the work counted."""
    wall, cpu = time.perf_counter(), time.process_time()
    counted = work()
    return time.process_time() - cpu, time.perf_counter() - wall, counted


def ours(path: Path, platform: Platform, columns: tuple[Column, ...]) -> int:
    """Every sample of those columns; counts samples."""
    return sum(len(one.value) for one in decode_signals([path], platform, columns))


def plain_loop(path: Path, database: Any, wanted: frozenset[int] | None, limit: int) -> int:
    """python-can's reader and cantools' decoder, frame by frame, for the first `limit` frames; counts frames."""
    import can

    frames = 0
    with can.LogReader(str(path)) as reader:
        for message in reader:
            frames += 1
            if wanted is None or message.arbitration_id in wanted:
                database.decode_message(message.arbitration_id, message.data, decode_choices=False)
            if frames >= limit:
                break
    return frames


def vectorised(path: Path, database: Path) -> int:
    """asammdf's extraction of bus logging; counts samples."""
    from asammdf import MDF

    with MDF(path) as log, log.extract_bus_logging({"CAN": [(str(database), 0)]}) as signals:
        return sum(len(one.samples) for one in signals.iter_channels(skip_master=True))


def floor(path: Path) -> int:
    """Read the file, and inflate what is deflated as the standard library does; counts bytes."""
    data = path.read_bytes()
    if path.suffix == ".gz":
        return len(zlib.decompress(data, 31))
    if path.suffix == ".mf4":  # deflated blocks: 24 bytes of head, as many of its own in front of the data
        return sum(len(zlib.decompressobj().decompress(memoryview(data)[at + 48 :])) for at in _places(data, b"##DZ"))
    if path.suffix != ".blf":
        return len(data)
    total, at = 0, 144
    while at + 32 <= len(data):
        size = int.from_bytes(data[at + 8 : at + 12], "little")
        if int.from_bytes(data[at + 16 : at + 18], "little") == 2:
            total += len(zlib.decompress(data[at + 32 : at + size]))
        at += size + size % 4
    return total


def _places(data: bytes, mark: bytes) -> Iterator[int]:
    at = data.find(mark)
    while at >= 0:
        yield at
        at = data.find(mark, at + len(mark))
