"""Which reader reads a log: the content decides, the name breaks ties."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self, cast

import numpy as np

from decoder.frames import FrameBatch, ReadReport
from decoder.logs import compiled
from decoder.logs.rows import MAX_TIME_NS
from decoder.logs.source import MAX_BATCH, LogStream, ReadOptions, inner_name, open_stream
from signal_defs.errors import LogError, UsageError

# Format -> module, in the order in which ties are settled; python-can, which reads some more, comes last.
READERS = {
    "candump": "decoder.logs.candump",
    "asc": "decoder.logs.asc",
    "blf": "decoder.logs.blf",
    "mf4": "decoder.logs.mf4",
    "pcap": "decoder.logs.pcap",
    "trc": "decoder.logs.trc",
    "csv": "decoder.logs.csv_log",
    "python-can": "decoder.logs.python_can",
}
_GLANCE = 8192  # bytes of the head that tell most formats
_SURE = 0.9  # from here on the rest of the head is not asked


class Reader(Protocol):
    """What a reader module offers; see the package's docstring."""

    FORMAT: str

    def sniff(self, head: bytes, name: str) -> float: ...

    def read(self, stream: LogStream, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]: ...


class Log:
    """An open log. format: what was found. report: filled while the batches are drawn, complete when they end."""

    def __init__(self, stream: LogStream, reader: Reader, options: ReadOptions) -> None:
        self._stream = stream
        self._reader = reader
        self._options = options
        self._drawn = False
        self.name = stream.name
        self.report = ReadReport(reader.FORMAT)

    @property
    def format(self) -> str:
        """The format's name; a reader of several formats may know it better once the first batch is drawn."""
        return self.report.format

    def batches(self) -> Iterator[FrameBatch]:
        """The frames in file order, at most `MAX_BATCH` a batch; can be drawn once. Closes the log at the end."""
        if self._drawn:
            raise UsageError("The batches of a log can be drawn only once.", where=self.name, mend="Open it again.")
        self._drawn = True
        compiled.loops(self._stream)  # those over frames are of use for every format
        return self._draw()

    def _draw(self) -> Iterator[FrameBatch]:
        with self:
            for drawn in self._reader.read(self._stream, self.report, self._options):
                batch = _possible(drawn, self.report)
                for first in range(0, len(batch), MAX_BATCH):
                    yield batch if len(batch) <= MAX_BATCH else batch.take(slice(first, first + MAX_BATCH))
                if self._options.watch is not None:
                    self._options.watch(self.name, self.report.frames)
            self._stream.report_fault(self.report)
            if self._stream.origin is not None and not self._stream.fault:
                self._stream.origin.drain(self._options.max_spool_bytes)
            if not self.report.frames:
                self.report.note("The log holds no frame that could be read.")

    def identity(self) -> tuple[str, int]:
        """SHA-256 in hexadecimal and size [bytes] of standard input once the batches end; ("", 0) for a file."""
        origin = self._stream.origin
        return ("", 0) if origin is None else (origin.sha256, origin.size)

    def extent(self) -> tuple[int, int]:
        """Bytes of the file read so far and in all, as a measure of progress; 0 in all where that is not known."""
        return self._stream.extent()

    def close(self) -> None:
        self._stream.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _possible(batch: FrameBatch, report: ReadReport) -> FrameBatch:
    """The frames whose time can be true; readers that know a frame's place in the file drop the others themselves."""
    if not len(batch) or (batch.time_ns.min() >= 0 and batch.time_ns.max() <= MAX_TIME_NS):
        return batch
    true = (batch.time_ns >= 0) & (batch.time_ns <= MAX_TIME_NS)
    lost = len(batch) - int(np.count_nonzero(true))
    before = report.frames - len(batch)
    report.frames -= lost
    report.drop("impossible_time", f"frame {max(before, 0) + int(np.argmin(true)) + 1} and later", lost)
    return batch.take(true)


def open_log(path: str | Path, *, options: ReadOptions | None = None) -> Log:
    """Open a log of any known format, plain or compressed; "-" reads standard input.

    Raises LogError if it cannot be opened or no reader knows its format, UsageError for an unknown `options.format`.
    """
    options = options or ReadOptions()
    stream = open_stream(path, options)
    try:
        return Log(stream, _choose(stream, options), options)
    except BaseException:
        stream.close()
        raise


def _choose(stream: LogStream, options: ReadOptions) -> Reader:
    if options.format is None and options.csv_columns:
        return _load(READERS["csv"])
    if options.format is not None:
        if options.format not in READERS:
            raise UsageError(f'There is no log format "{options.format}".', mend=f"Known are: {', '.join(READERS)}.")
        return _load(READERS[options.format])
    name = inner_name(stream.name)
    best, score = _surest(stream.head[:_GLANCE], name)
    if score < _SURE and len(stream.head) > _GLANCE:
        best, _ = _surest(stream.head, name)
    if best is None:
        raise LogError(
            "This is no log of a known format.",
            where=stream.name,
            mend=f"Known are: {', '.join(READERS)}; for a table, name its columns.",
        )
    return best


def _surest(head: bytes, name: str) -> tuple[Reader | None, float]:
    """The reader that is surest of a log that begins so, the first of several, and how sure it is."""
    best, best_score = None, 0.0
    for module in READERS.values():
        reader = _load(module)
        score = float(reader.sniff(head, name))
        if score > best_score:
            best, best_score = reader, score
        if score >= 1.0:
            break
    return best, best_score


def _load(module: str) -> Reader:
    return cast("Reader", importlib.import_module(module))
