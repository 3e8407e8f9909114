"""Reads tables of frames: a header line, then a row a frame; columns by heading or as the caller names them."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from decoder.frames import FrameBatch, ReadReport
from decoder.logs import compiled
from decoder.logs.csv_columns import read_regular
from decoder.logs.csv_layout import CsvLayout, find_layout
from decoder.logs.csv_row import CsvTable, parse_row, table_of
from decoder.logs.lines import Lines, read_lines
from decoder.logs.rows import Channels, batch_of, columns_of
from decoder.logs.source import LogStream, ReadOptions
from signal_defs.errors import LogError

_SHORTEST = 6  # bytes of a line that may matter
FORMAT = "csv"
_HEADER_WITHIN = 64  # lines; what stands above the headings is a comment


def sniff(head: bytes, name: str) -> float:
    """Sure where one of the first lines has headings for time, identifier and data."""
    for line in head.split(b"\n", _HEADER_WITHIN)[:_HEADER_WITHIN]:
        if len(line) <= 4096 and find_layout(line.decode("utf-8", "replace")) is not None:
            return 0.9
    return 0.1 if name.endswith((".csv", ".tsv")) else 0.0


def read(stream: LogStream, report: ReadReport, options: ReadOptions) -> Iterator[FrameBatch]:
    """The frames of a table; see the package for the protocol.

    Raises LogError if no line tells its columns, UsageError if a column the caller names is not there.
    """
    channels = Channels()
    table: CsvTable | None = None
    heading = ""
    loops = compiled.loops(stream)
    for lines in read_lines(stream, report, options.buffer_bytes, _SHORTEST):
        begin = 0
        if table is None:
            layout, begin = _find_header(lines, options)
            if layout is None:
                raise LogError(
                    "The table has no headings for time, identifier and data.",
                    where=stream.name,
                    mend="Name its columns, for example --csv-column time=HEADING.",
                )
            heading = lines.string(begin - 1) if layout.has_header else ""
            table = table_of(layout, [lines.string(at) for at in range(begin, min(begin + 100, len(lines)))], report)
            if begin > 1 or (begin == 1 and not layout.has_header):
                report.skipped["comment"] = begin - int(layout.has_header)
        parts, odd = read_regular(lines, np.arange(begin, len(lines)), table, channels, loops)
        rows = []
        for index in odd.tolist():
            text = lines.string(index)
            row = parse_row(text, index, table, channels)
            if not isinstance(row, str):
                rows.append(row)
            elif heading and text == heading:
                report.skip("heading")  # of a table appended to the first
            else:
                lines.drop(index, row, report)
        if rows:
            parts.append(columns_of(rows))
        count, batch = batch_of(parts, channels, options)
        report.frames += count
        if batch is not None:
            yield batch


def _find_header(lines: Lines, options: ReadOptions) -> tuple[CsvLayout | None, int]:
    """The layout, and the index of the first line behind the headings.

    Where the caller names columns, the headings are the first line that has all the names; if there is none, the first
    line that could be headings is, so that the error says which name it lacks.
    """
    texts = [lines.string(index) for index in range(min(_HEADER_WITHIN, len(lines)))]
    names = [heading.strip().lower() for heading in options.csv_columns.values()]
    likely = [index for index, text in enumerate(texts) if all(name in text.lower() for name in names)]
    if names and not likely:
        likely = [index for index, text in enumerate(texts) if max(map(text.count, ",;\t")) > 1][:1]
    for index in likely:
        layout = find_layout(texts[index], options.csv_columns)
        if layout is not None:
            return layout, index + int(layout.has_header)
    return None, 0
