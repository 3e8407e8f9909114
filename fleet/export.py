"""The store's tables as one whole file each, for other programs."""

from __future__ import annotations

import json
import uuid
from pathlib import Path
from typing import Any

from fleet.store import Store
from fleet.tables import TABLES, VEHICLES


def export_tables(store: Store, folder: Path, kind: str) -> dict[str, int]:
    """Write every table to FOLDER/TABLE.KIND, each whole; returns the rows of each.

    kind: parquet, csv (lists as JSON text, times as ISO 8601) or json (one object a line).
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = {}
    for name in (*TABLES, *VEHICLES):
        table = store.read(name) if name in TABLES else store.read_vehicles(name)
        half = folder / f".half-{uuid.uuid4().hex}"
        try:
            _write(table, half, kind)
            half.replace(folder / f"{name}.{kind}")
        finally:
            half.unlink(missing_ok=True)
        written[name] = len(table)
    return written


def _write(table: Any, path: Path, kind: str) -> None:
    if kind == "parquet":
        import pyarrow.parquet as pq

        pq.write_table(table, path, compression="zstd")
        return
    frame = table.to_pandas(date_as_object=False)
    for column in table.column_names:
        if str(table.schema.field(column).type).startswith("timestamp"):
            frame[column] = frame[column].dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        elif str(table.schema.field(column).type).startswith("date"):
            frame[column] = frame[column].dt.strftime("%Y-%m-%d")
    if kind == "csv":
        for column in frame.columns:
            if str(table.schema.field(column).type).startswith("list"):
                frame[column] = [json.dumps(value) for value in table.column(column).to_pylist()]
        frame.to_csv(path, index=False, lineterminator="\n")
        return
    frame.to_json(path, orient="records", lines=True, double_precision=12)
