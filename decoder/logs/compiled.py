"""Compiled loops over lines and frames: where numba is installed, and the log long enough to repay loading it."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable
from functools import cache
from types import ModuleType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from decoder.frames import BoolArray, ByteArray, Int64Array
from decoder.logs.lines import Lines
from decoder.logs.rows import Placed
from decoder.logs.source import LogStream
from decoder.logs.text_columns import Words

LOOPS = "decoder.logs.compiled_lines"
FRAME_LOOPS = "decoder.compiled_frames"
# Measured on candump text, which gains least: loading takes 0.6 s of CPU, and a GiB is then read in 0.8 s less. The
# first process of all compiles for 6 s; later ones take what it kept.
WORTH_BYTES = 1 << 30


class Frames(NamedTuple):
    """What a loop over n lines fills: columns of `Placed`, and which lines are good. payload: (n,) words."""

    time_ns: Int64Array
    identifier: NDArray[np.uint32]
    flags: NDArray[np.uint16]
    length: ByteArray
    payload: Words
    good: BoolArray


def loops(stream: LogStream) -> ModuleType | None:
    """The compiled loops over lines; None where there are none, or where no log so far was long enough for them.

    Their results are those of the columns in NumPy, so that a report need not tell which were used.
    """
    if LOOPS not in sys.modules and stream.extent()[1] < WORTH_BYTES:
        return None
    return load()


def frame_loops() -> ModuleType | None:
    """The compiled loops over frames; None where those over lines, which are loaded last, are not there either."""
    return sys.modules.get(FRAME_LOOPS) if LOOPS in sys.modules else None


@cache
def load() -> ModuleType | None:
    """The compiled loops over lines, whatever the log; compiled anew where no earlier process could keep them."""
    if sys.byteorder != "little":
        return None
    try:
        importlib.import_module(FRAME_LOOPS)
        return importlib.import_module(LOOPS)
    except (ImportError, RuntimeError):  # no numba, one that is at odds with NumPy, or no folder to keep its work in
        return None


def run(
    loop: Callable[..., int], lines: Lines, index: Int64Array, *layout: Int64Array | Words | bool
) -> tuple[int, Placed, BoolArray]:
    """One loop over the lines `index`: what it counted, its good lines as frames of channel 0, and which are good."""
    count = len(index)
    frames = Frames(
        np.empty(count, np.int64),
        np.empty(count, np.uint32),
        np.empty(count, np.uint16),
        np.empty(count, np.uint8),
        np.empty(count, np.uint64),
        np.empty(count, np.bool_),
    )
    words: Words = np.ndarray((len(lines.text) - 7,), np.uint64, lines.text.data, strides=(1,))
    counted = loop(words, *lines.bounds(index), *layout, frames)
    time_ns, identifier, flags, length, payload, good = frames
    channel = np.zeros(count, np.uint16)
    part = Placed(time_ns, channel, identifier, flags, length, payload.view(np.uint8).reshape(-1, 8), index=index)
    return counted, part if good.all() else part.select(good), good
