"""Parts of a store and which of them counts: every log exactly once, whatever was added twice, anew, or merged.

A part is a set of files of one name, one a table. Its head, the file in `recordings`, is written last and names its
other
files: a part without a head is not there. Parts never change. A recording may be in several parts (two adds at once, a
compaction, an add with another definition); the rules here choose, the same way for every reader.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Part:
    """name: of all its files. rows: table -> rows, as the head says. recordings: keys in it."""

    name: str
    rows: Mapping[str, int]
    recordings: tuple[str, ...]
    age_s: float = 0.0

    def file(self, table: str) -> str:
        return file_name(table, self.name)


@dataclass(frozen=True, slots=True)
class Claim:
    """What decides whether a recording counts."""

    recording: str
    part: str
    schema: int
    generation: int
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Chosen:
    """owner: recording -> the part whose rows count. superseded: recordings that no longer count, and by which."""

    owner: Mapping[str, str] = field(default_factory=dict)
    superseded: Mapping[str, str] = field(default_factory=dict)


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


def choose(claims: Iterable[Claim]) -> Chosen:
    """Every log counts once.

    Of the recordings that share a log the later version of the tables counts, then the later definition, then the one
    made of more logs, then the lower key. A recording in several parts counts in the largest part (the longest name,
    then the highest), so that after a compaction the merged part is read.
    """
    owner: dict[str, str] = {}
    best: dict[str, Claim] = {}
    for claim in claims:
        seen = owner.get(claim.recording)
        if seen is None or (len(claim.part), claim.part) > (len(seen), seen):
            owner[claim.recording] = claim.part
            best[claim.recording] = claim
    taken: dict[str, str] = {}
    superseded: dict[str, str] = {}
    for claim in sorted(best.values(), key=_precedence):
        winner = next((taken[source] for source in claim.sources if source in taken), None)
        if winner is None:
            taken.update(dict.fromkeys(claim.sources, claim.recording))
        else:
            superseded[claim.recording] = winner
            del owner[claim.recording]
    return Chosen(owner, superseded)


def _precedence(claim: Claim) -> tuple[int, int, int, str]:
    return (-claim.schema, -claim.generation, -len(claim.sources), claim.recording)


def claims_of(part: str, head: Any) -> list[Claim]:
    """The claims in the head of a part, an Arrow table with recording, schema, generation and sources."""
    columns = [head.column(name).to_pylist() for name in ("recording", "schema", "generation")]
    lists = head.column("sources").combine_chunks()
    sources, ends = lists.flatten().to_pylist(), lists.value_lengths().to_pylist()
    claims = []
    at = 0
    for recording, schema, generation, length in zip(*columns, ends, strict=True):
        claims.append(Claim(recording, part, schema, generation, tuple(sources[at : at + length])))
        at += length
    return claims
