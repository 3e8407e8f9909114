"""Decoded signals as Parquet or CSV, long or wide, written batch by batch."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from decoder.signals import Column, SignalBatch
from signal_defs.errors import UsageError

Shape = Literal["long", "wide"]
WIDE_ROWS = 16_384  # rows of a wide table at a time: with 1000 columns 128 MiB


class _Writer(Protocol):
    def write_table(self, table: Any) -> None: ...

    def close(self) -> None: ...


def write_signals(batches: Iterable[SignalBatch], columns: Sequence[Column], out: Path, shape: Shape = "long") -> int:
    """Write what `decoder.signals.decode_signals` gives to a .parquet or .csv file; returns the rows written.

    Long: one row a sample, with time, signal, value, text (the value's name, or a byte array in hexadecimal), unit,
    valid, source; signal after signal within a batch of the log. value is there also where valid is false.
    Wide: one row an instant, a column a signal in the order of columns, rising in time within a batch; empty where the
    signal has no sample then, or none that is valid.
    time: UTC, or seconds from the start where the log knows no date. Raises UsageError for another suffix,
    and where only some of the logs know the date. A file of that name is replaced only once all is written.
    """
    if out.suffix.lower() not in {".parquet", ".csv"}:
        raise UsageError(f'"{out.name}" ends neither in .parquet nor in .csv.', mend="Name the output so.")
    batches = _one_kind_of_time(batches)
    tables = _long(batches) if shape == "long" else _wide(batches, columns)
    writer: _Writer | None = None
    rows = 0
    part = out.with_name(out.name + ".part")
    try:
        for table in tables:
            if writer is None:
                writer = _open(part, out.suffix.lower(), table.schema)
            writer.write_table(table)
            rows += table.num_rows
        if writer is not None:
            writer.close()
            writer = None
            part.replace(out)
    finally:
        if writer is not None:
            writer.close()
        part.unlink(missing_ok=True)
    return rows


def _one_kind_of_time(batches: Iterable[SignalBatch]) -> Iterator[SignalBatch]:
    """The same batches; UsageError where a log without a date follows one with a date, or the other way round."""
    first: SignalBatch | None = None
    for one in batches:
        first = first or one
        if one.absolute != first.absolute:
            dated, undated = (first, one) if first.absolute else (one, first)
            raise UsageError(
                f"{dated.source} knows the date and {undated.source} does not: one table cannot hold both.",
                mend="Decode the logs without a date on their own.",
            )
        yield one


def _open(path: Path, suffix: str, schema: Any) -> _Writer:
    if suffix == ".parquet":
        import pyarrow.parquet as pq

        writer: _Writer = pq.ParquetWriter(path, schema, compression="zstd")
        return writer
    import pyarrow.csv as pc

    csv_writer: _Writer = pc.CSVWriter(path, schema)
    return csv_writer


def _time(time_ns: NDArray[np.int64], absolute: bool) -> Any:
    import pyarrow as pa

    if absolute:
        return pa.array(time_ns, pa.timestamp("ns", tz="UTC"))
    return pa.array(time_ns / 1e9, pa.float64())


def _long(batches: Iterable[SignalBatch]) -> Iterator[Any]:
    import pyarrow as pa

    for one in batches:
        rows = len(one.value)
        yield pa.table(
            {
                "time": _time(one.time_ns, one.absolute),
                "signal": _constant(one.column.name, rows),
                "value": pa.array(one.value, from_pandas=False, mask=np.isnan(one.value)),
                "text": _text(one),
                "unit": _constant(one.column.unit, rows),
                "valid": pa.array(one.valid),
                "source": _constant(one.source, rows),
            }
        )


def _constant(text: str, rows: int) -> Any:
    import pyarrow as pa

    return pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, np.int32)), pa.array([text])).cast(pa.string())


def _text(one: SignalBatch) -> Any:
    """The name of each value that the value table names, byte arrays in hexadecimal, else empty."""
    import pyarrow as pa

    if one.raw.ndim > 1:
        return pa.array([row.tobytes().hex().upper() for row in one.raw], pa.string())
    choices = one.column.signal.choices
    if not choices or one.raw.dtype.kind == "f":
        return pa.nulls(len(one.raw), pa.string())
    keys = np.array(sorted(key for key in choices if -(2**63) <= key < 2**63), np.int64)
    raw = one.raw.astype(np.int64)
    at = np.minimum(np.searchsorted(keys, raw), len(keys) - 1)
    names = pa.array([choices[key] for key in keys.tolist()], pa.string())
    return pa.DictionaryArray.from_arrays(pa.array(at, mask=keys[at] != raw), names).cast(pa.string())


def _wide(batches: Iterable[SignalBatch], columns: Sequence[Column]) -> Iterator[Any]:
    """Tables of `WIDE_ROWS` rows; the batches of one part of a log are held together until it ends."""
    held: dict[str, SignalBatch] = {}
    for one in batches:
        if one.column.name in held or (held and next(iter(held.values())).source != one.source):
            yield from _wide_tables(held, columns)
            held = {}
        held[one.column.name] = one
    if held:
        yield from _wide_tables(held, columns)


def _wide_tables(held: dict[str, SignalBatch], columns: Sequence[Column]) -> Iterator[Any]:
    import pyarrow as pa

    instants = np.unique(np.concatenate([one.time_ns for one in held.values()]))
    absolute = next(iter(held.values())).absolute
    order = {name: np.argsort(one.time_ns, kind="stable") for name, one in held.items()}
    for first in range(0, len(instants), WIDE_ROWS):
        part = instants[first : first + WIDE_ROWS]
        cells: dict[str, Any] = {"time": _time(part, absolute)}
        for column in columns:
            value = np.full(len(part), np.nan)
            one = held.get(column.name)
            if one is not None:
                rows = order[column.name]
                times = one.time_ns[rows]
                rows = rows[np.searchsorted(times, part[0]) : np.searchsorted(times, part[-1], side="right")]
                rows = rows[one.valid[rows]]
                value[np.searchsorted(part, one.time_ns[rows])] = one.value[rows]
            cells[column.name] = pa.array(value, mask=np.isnan(value))
        yield pa.table(cells)
