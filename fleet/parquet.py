"""Parquet files of a store: bytes with checksums, read whole or by column, and told when they are damaged."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np

from fleet.places import Place
from fleet.tables import SCHEMA, SCHEMA_KEY, schema_of

_ROWS_KEY = b"idlewhy.store.rows"


class DamagedError(Exception):
    """A file that is no whole Parquet file of ours. The text says why."""


@cache
def head_schema() -> Any:
    """Of what choosing needs of a head: a row a recording."""
    import pyarrow as pa

    words, count = pa.string(), pa.int64()
    kinds = {"recording": words, "platform_sha256": words, "schema": count, "generation": count}
    return pa.schema({**kinds, "sources": pa.list_(words)})


def to_bytes(table: Any, rows: Mapping[str, int]) -> bytes:
    """A table as a Parquet file. rows: of every table of its part, kept in the metadata."""
    import pyarrow.parquet as pq

    metadata = {SCHEMA_KEY: str(SCHEMA).encode(), _ROWS_KEY: json.dumps(dict(sorted(rows.items()))).encode()}
    sink = io.BytesIO()
    pq.write_table(table.replace_schema_metadata(metadata), sink, compression="zstd", write_page_checksum=True)
    return sink.getvalue()


def read_head(place: Place, name: str) -> tuple[Any, dict[str, int], int]:
    """The head of a part: its table (`head_schema`), rows of each table, version of the tables."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    with place.open(name) as file:
        try:
            parquet = pq.ParquetFile(file, page_checksum_verification=True)
            metadata = parquet.schema_arrow.metadata or {}
            rows = json.loads(metadata[_ROWS_KEY])
            schema = int(metadata[SCHEMA_KEY])
            head = parquet.read(columns=head_schema().names)
        except FileNotFoundError:  # an object store opens a file only when it is read
            raise
        except (pa.ArrowException, OSError, KeyError, ValueError) as fault:
            raise DamagedError(_reason(fault)) from fault
    return head.select(head_schema().names).cast(head_schema()), rows, schema


def read_table(place: Place, name: str, table: str, columns: Sequence[str] | None, filters: Any) -> Any:
    """Columns of one file, in the order asked; a column that an older version did not have is null throughout."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = schema_of(table)
    names = schema.names if columns is None else list(columns)
    with place.open(name) as file:
        try:
            parquet = pq.ParquetFile(file, page_checksum_verification=True)
            there = [column for column in names if column in parquet.schema_arrow.names]
            if filters is None:
                read = parquet.read(columns=there)
            else:  # skips groups of rows that cannot match
                file.seek(0)
                read = pq.read_table(file, columns=there, filters=filters, page_checksum_verification=True)
        except FileNotFoundError:
            raise
        except (pa.ArrowException, OSError, ValueError) as fault:
            raise DamagedError(_reason(fault)) from fault
    columns_of = {
        column: read.column(column).cast(schema.field(column).type)
        if column in read.column_names
        else pa.nulls(len(read), schema.field(column).type)
        for column in names
    }
    return pa.table(columns_of, schema=pa.schema([schema.field(column) for column in names]))


def numbers(column: Any) -> Any:
    """(n,) an Arrow column of numbers as a NumPy array that cannot be written to; null as NaN.

    Arrow's own way there loads pandas, which takes longer than most of what is asked for.
    """
    import pyarrow as pa

    whole = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    if not whole.null_count:
        return np.from_dlpack(whole)
    known = np.from_dlpack(whole.is_valid().cast(pa.int8())).astype(bool)
    there = np.full(len(whole), math.nan)
    there[known] = np.from_dlpack(whole.drop_null())
    return there


def without_rows(schema: Any) -> Any:
    """A table of no rows; Arrow's own way there loads pandas."""
    import pyarrow as pa

    return pa.Table.from_batches([], schema)


def _reason(fault: Exception) -> str:
    first = str(fault).splitlines()[0] if str(fault) else type(fault).__name__
    return f"not a whole Parquet file ({first[:160]})"
