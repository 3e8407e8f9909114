"""Readers of log files, one module a format; `open_log` finds the right one.

A reader is a module with three names, so that a format is added by one file and one row in `registry`:

FORMAT: str
    what the format is called in reports.
sniff(head: bytes, name: str) -> float
    how sure the module is, 0 (not mine) to 1 (its signature), from the first bytes of the unpacked log. The file's name
    (in lower case, without the suffix of a compression) only breaks ties: a name alone is worth 0.1 at most. True is 1.
read(stream: LogStream, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]
    draws the frames in file order, at most `MAX_BATCH` a batch, and counts in `report.frames` what it hands out, in
    `report.dropped` and `report.skipped` what it does not. It never raises for damage: it keeps what came before and
    goes on behind it where the format allows. `LogError` is for a log of which nothing at all can be said.
"""

from decoder.logs.registry import Log, open_log
from decoder.logs.source import MAX_BATCH, LogStream, ReadOptions

__all__ = ["MAX_BATCH", "Log", "LogStream", "ReadOptions", "open_log"]
