"""Parquet files of a store: bytes with checksums, read whole or by column, and told when they are damaged."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from typing import Any

from fleet.places import Place
from fleet.tables import SCHEMA, SCHEMA_KEY, schema_of

_ROWS_KEY = b"idlewhy.store.rows"


class DamagedError(Exception):
    """A file that is no whole Parquet file of ours. The text says why."""


def to_bytes(table: Any, rows: Mapping[str, int]) -> bytes:
    """A table as a Parquet file. rows: of every table of its part, kept in the metadata."""
    import pyarrow.parquet as pq

    metadata = {SCHEMA_KEY: str(SCHEMA).encode(), _ROWS_KEY: json.dumps(dict(sorted(rows.items()))).encode()}
    sink = io.BytesIO()
    pq.write_table(
        table.replace_schema_metadata(metadata),
        sink,
        compression="zstd",
        write_page_checksum=True,
        store_schema=True,
    )
    return sink.getvalue()


def read_head(place: Place, name: str) -> tuple[Any, dict[str, int], int]:
    """The head of a part: its table (only what choosing needs), rows of each table, version of the tables."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    with place.open(name) as file:
        try:
            parquet = pq.ParquetFile(file, page_checksum_verification=True)
            metadata = parquet.schema_arrow.metadata or {}
            rows = json.loads(metadata[_ROWS_KEY])
            schema = int(metadata[SCHEMA_KEY])
            wanted = ["recording", "platform_sha256", "schema", "generation", "sources"]
            head = parquet.read(columns=wanted)
        except FileNotFoundError:  # an object store opens a file only when it is read
            raise
        except (pa.ArrowException, OSError, KeyError, ValueError) as fault:
            raise DamagedError(_reason(fault)) from fault
    return head.set_column(0, "recording", head.column("recording").cast(pa.string())), rows, schema


def read_table(place: Place, name: str, table: str, columns: Sequence[str] | None, filters: Any) -> Any:
    """Columns of one file, in the order asked; a column that an older version did not have is null throughout."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = schema_of(table)
    names = schema.names if columns is None else list(columns)
    with place.open(name) as file:
        try:
            there = pq.read_schema(file).names
            file.seek(0)
            read = pq.read_table(
                file,
                columns=[column for column in names if column in there],
                filters=filters,
                page_checksum_verification=True,
            )
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


def _reason(fault: Exception) -> str:
    first = str(fault).splitlines()[0] if str(fault) else type(fault).__name__
    return f"not a whole Parquet file ({first[:160]})"
