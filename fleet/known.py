"""What a store held when an add began: listed once, asked by every worker, so that none lists the store itself."""

from __future__ import annotations

import io
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from fleet.parquet import head_schema
from fleet.store import Store


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """heads: Arrow table of `fleet.parquet.head_schema`, a row a recording, those that no longer count too."""

    heads: Any

    def has(self, recording: str) -> bool:
        """Whether a recording is in already."""
        import pyarrow.compute as pc

        return bool(pc.any(pc.equal(self.heads.column("recording"), recording)).as_py())

    def generation(self, sources: Sequence[str], definition: str) -> int:
        """0, or what makes a recording count instead of those of the same logs with another definition.

        sources: SHA-256 of its logs. definition: SHA-256 of the platform's files.
        """
        import pyarrow as pa
        import pyarrow.compute as pc

        lists = self.heads.column("sources").combine_chunks()
        at = pc.filter(pc.list_parent_indices(lists), pc.is_in(lists.flatten(), pa.array(sources, pa.string())))
        older = self.heads.select(["generation", "platform_sha256"]).take(at).to_pylist()
        latest = max((row["generation"] for row in older), default=0)
        changed = any(row["generation"] == latest and row["platform_sha256"] != definition for row in older)
        return latest + changed


@contextmanager
def listed(store: Store) -> Iterator[str]:
    """Name of a file in the store that lists what is in, there while the block runs."""
    import pyarrow.parquet as pq

    name = f"half/known-{uuid.uuid4().hex}.parquet"
    sink = io.BytesIO()
    pq.write_table(_known_now(store).heads, sink, compression="zstd")
    store.place.write(name, sink.getvalue())
    try:
        yield name
    finally:
        store.place.delete([name])


def read_known(store: Store, name: str) -> Known:
    """The list of that name; what is in just now where it was cleaned away since."""
    import pyarrow.parquet as pq

    try:
        with store.place.open(name) as file:
            return Known(pq.ParquetFile(file).read())
    except FileNotFoundError:
        return _known_now(store)


def _known_now(store: Store) -> Known:
    import pyarrow as pa

    heads = [part.head for part in store.snapshot().parts.values()]
    return Known(pa.concat_tables([head_schema().empty_table(), *heads]))
