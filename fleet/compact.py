"""Merging small parts of a store while others read and write: write the new, let it count, then delete the old.

Nothing is ever changed in place. The merged part holds every recording of the parts it was made of; as soon as its head
is there, every reader takes them from it (`fleet.parts.choose`). What it replaced is deleted a grace later. A
compaction that is killed leaves files that nobody reads; two at once merge twice, and the rules choose one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from fleet.parquet import DamagedError, read_table
from fleet.parts import Part, part_name
from fleet.store import Snapshot, Store
from fleet.tables import HEAD, TABLES

_GRACE_S = 900.0  # longest that a plain Parquet reader is thought to take over a list of files
_ORPHAN_S = 86_400.0  # a writer that left files without a head for a day is dead
_ROWS = 1_500_000  # of all tables of a merged part
_SET_ASIDE = "damaged"


@dataclass(frozen=True, slots=True)
class Compacted:
    """What a compaction did. merged: parts that were merged. into: parts made of them. deleted: files removed.

    set_aside: damaged files, moved to the folder `damaged` with the rest of their part; their logs are to be added
    again.
    """

    merged: int = 0
    into: int = 0
    deleted: int = 0
    set_aside: tuple[str, ...] = ()


def compact(store: Store, *, grace_s: float = _GRACE_S) -> Compacted:
    """Merge what is small, delete what is replaced for longer than grace_s [s], set aside what is damaged."""
    damaged = _set_aside(store)
    merged = made = 0
    snapshot = store.snapshot()
    for group in _groups(snapshot):
        tables = _merged(store, group)
        if isinstance(tables, str):  # damaged: set aside now, its neighbours merged next time
            damaged += (tables,)
            continue
        store.write_part(part_name(key for part in group for key in part.recordings), tables)
        merged, made = merged + len(group), made + 1
    deleted = _delete_replaced(store, grace_s) + _delete_orphans(store)
    return Compacted(merged, made, deleted, damaged)


def _groups(snapshot: Snapshot) -> list[list[Part]]:
    """Parts to merge with each other, by name, each group up to `_ROWS` rows; none of one part alone."""
    groups: list[list[Part]] = []
    size = _ROWS
    for name in sorted(snapshot.chosen.counting):
        part = snapshot.parts[name]
        rows = sum(part.rows.values())
        if rows >= _ROWS // 2:
            continue
        if size + rows > _ROWS:
            groups.append([])
            size = 0
        groups[-1].append(part)
        size += rows
    return [group for group in groups if len(group) > 1]


def _merged(store: Store, group: Sequence[Part]) -> dict[str, Any] | str:
    """The tables of some parts, each recording once; or the damaged file, already set aside."""
    import pyarrow as pa
    import pyarrow.compute as pc

    tables = {}
    for table in TABLES:
        taken: set[str] = set()
        pieces = []
        for part in group:
            recordings = part.recordings
            fresh = [key for key in recordings if key not in taken]
            taken.update(fresh)
            if not part.rows.get(table) or not fresh:
                continue
            try:
                piece = read_table(store.place, part.file(table), table, None, None)
            except (DamagedError, FileNotFoundError):
                _move(store, part)
                return part.file(table)
            if len(fresh) < len(recordings):
                piece = piece.filter(pc.is_in(piece.column("recording").cast(pa.string()), pa.array(fresh)))
            pieces.append(piece)
        if pieces:
            tables[table] = _sorted(pa.concat_tables(pieces).unify_dictionaries())
    return tables


def _sorted(table: Any) -> Any:
    """By vehicle, then recording, then row, so that the rows of one vehicle lie together."""
    import pyarrow as pa
    import pyarrow.compute as pc

    row = "row" if "row" in table.column_names else "day" if "day" in table.column_names else "schema"
    words = {name: table.column(name).cast(pa.string()) for name in ("vehicle", "recording")}
    keys = pa.table({**words, "row": table.column(row)})
    return table.take(pc.sort_indices(keys, [(name, "ascending") for name in keys.column_names]))


def _set_aside(store: Store) -> tuple[str, ...]:
    """Move the parts whose head cannot be read, or that readers of this store found damaged."""
    snapshot = store.snapshot()
    names = tuple(sorted({*store.damage, *(damage.file for damage in snapshot.damage)}))
    for name in names:
        table, _, file = name.partition("/")
        if table in TABLES:
            part = file.removesuffix(".parquet")
            _move(store, snapshot.parts.get(part) or Part(part, {}, None))
    store.damage.clear()
    return names


def _move(store: Store, part: Part) -> None:
    for table in (HEAD, *(name for name in TABLES if name != HEAD)):
        name = part.file(table)
        try:
            with store.place.open(name) as file:
                content = file.read()
        except (FileNotFoundError, OSError):
            continue
        store.place.write(f"{_SET_ASIDE}/{table}-{part.name}.parquet", content)
        store.place.delete([name])


def _delete_replaced(store: Store, grace_s: float) -> int:
    """Delete parts whose recordings all count elsewhere, once those others are old enough; heads first."""
    snapshot = store.snapshot()
    owners = snapshot.chosen.owners()
    deleted = 0
    for name in sorted(set(snapshot.parts) - set(snapshot.chosen.counting)):
        part = snapshot.parts[name]
        elsewhere = {owners[snapshot.chosen.superseded.get(key, key)] for key in part.recordings}
        if any(snapshot.parts[one].age_s < grace_s for one in elsewhere):
            continue
        files = [part.file(HEAD), *(part.file(table) for table in part.rows if table != HEAD)]
        store.place.delete(files)
        deleted += len(files)
    return deleted


def _delete_orphans(store: Store) -> int:
    """Delete what killed writers left more than a day ago."""
    heads = {entry.name.partition("/")[2] for entry in store.place.entries(HEAD)}
    old = [
        entry.name
        for table in TABLES
        if table != HEAD
        for entry in store.place.entries(table)
        if entry.name.partition("/")[2] not in heads and entry.age_s > _ORPHAN_S
    ]
    old += [entry.name for entry in store.place.entries("half") if entry.age_s > _ORPHAN_S]
    store.place.delete(old)
    return len(old)
