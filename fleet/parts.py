"""Parts of a store and which of them counts: every log exactly once, whatever was added twice, anew, or merged.

A part is a set of files of one name, one a table. Its head, the file in `recordings`, is written last and names its
other files: a part without a head is not there. Parts never change. A recording may be in several parts (two adds at
once, a compaction, an add with another definition); the rules here choose, the same way for every reader.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fleet.parquet import numbers


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """name: of all its files. rows: table -> rows, as the head says. head: Arrow table of `fleet.parquet.head_schema`.

    age_s: since its head was written [s], when it was first read.
    """

    name: str
    rows: Mapping[str, int]
    head: Any
    age_s: float = 0.0

    @property
    def recordings(self) -> list[str]:
        """Keys of the recordings in it."""
        keys: list[str] = self.head.column("recording").to_pylist()
        return keys

    def file(self, table: str) -> str:
        """The part's file of a table."""
        return file_name(table, self.name)


@dataclass(frozen=True, slots=True, eq=False)
class Chosen:
    """counting: part -> Arrow array of its recordings that count; a part of which none counts is not there.

    superseded: recordings that no longer count, and the one that counts instead.
    """

    counting: Mapping[str, Any] = field(default_factory=dict)
    superseded: Mapping[str, str] = field(default_factory=dict)

    def owners(self) -> dict[str, str]:
        """Recording that counts -> its part."""
        return {key: part for part, keys in self.counting.items() for key in keys.to_pylist()}


def file_name(table: str, part: str) -> str:
    """A table's file of a part."""
    return f"{table}/{part}.parquet"


def part_name(recordings: Iterable[str]) -> str:
    """Name of a part: of one recording its key, of several their number and the hash of all keys.

    The same recordings always give the same name, so that two adds at once write the same file.
    """
    keys = sorted(set(recordings))
    if len(keys) == 1:
        return keys[0]
    return f"{len(keys):06d}-{hashlib.sha256(' '.join(keys).encode()).hexdigest()[:32]}"


def choose(parts: Iterable[Part]) -> Chosen:
    """Every log counts once.

    A recording in several parts counts in the largest (the longest name, then the highest), so that after a compaction
    the merged part is read. Of the recordings that share a log the later version of the tables counts, then the later
    definition, then the one made of more logs, then the lower key.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    largest_first = sorted(parts, key=lambda part: (len(part.name), part.name), reverse=True)
    if not largest_first:
        return Chosen()
    heads = pa.concat_tables(part.head for part in largest_first).combine_chunks()
    counts = _first_of_each(heads.column("recording"))
    superseded = _superseded(heads if counts.all() else heads.filter(pa.array(counts)))
    if superseded:
        counts &= ~pc.is_in(heads.column("recording"), pa.array(superseded, pa.string())).to_numpy()
    counting = {}
    start = 0
    for part in largest_first:
        keys = part.head.column("recording").combine_chunks()
        kept = counts[start : start + len(keys)]
        start += len(keys)
        if kept.any():
            counting[part.name] = keys if kept.all() else keys.filter(pa.array(kept))
    return Chosen(counting, superseded)


def _first_of_each(keys: Any) -> Any:
    """(n,) whether a key was not among those before it."""
    codes = _codes(keys)  # numbered as they appear, so that a new one is above all before it
    highest = np.maximum.accumulate(codes)
    return codes > np.concatenate([[-1], highest[:-1]])


def _superseded(heads: Any) -> dict[str, str]:
    """Recording that does not count -> the one that counts instead. heads: of recordings of which none is twice."""
    import pyarrow as pa
    import pyarrow.compute as pc

    sources = heads.column("sources").combine_chunks()
    codes = _codes(sources.flatten())
    shared = np.bincount(codes, minlength=1)[codes] > 1
    if not shared.any():
        return {}
    rows = np.unique(pc.list_parent_indices(sources).to_numpy()[shared])
    taken: dict[str, str] = {}
    superseded: dict[str, str] = {}
    for row in sorted(heads.take(pa.array(rows)).to_pylist(), key=_precedence):
        winner = next((taken[source] for source in row["sources"] if source in taken), None)
        if winner is None:
            taken.update(dict.fromkeys(row["sources"], row["recording"]))
        else:
            superseded[row["recording"]] = winner
    return superseded


def _precedence(row: Mapping[str, Any]) -> tuple[int, int, int, str]:
    return (-row["schema"], -row["generation"], -len(row["sources"]), row["recording"])


def _codes(words: Any) -> Any:
    """(n,) words as numbers from 0, in order of their first appearance."""
    import pyarrow as pa

    whole = words.combine_chunks() if isinstance(words, pa.ChunkedArray) else words
    return numbers(whole.dictionary_encode().indices).astype(np.int64)
