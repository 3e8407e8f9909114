"""The store: facts of many recordings in a few tables of immutable Parquet files, read as one consistent whole."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fleet.parquet import DamagedError, read_head, read_table, to_bytes, without_rows
from fleet.parts import Chosen, Part, choose, file_name, part_name
from fleet.places import Entry, Place, open_place
from fleet.tables import HEAD, SCHEMA, TABLES, VEHICLES, schema_of, table_of
from signal_defs.errors import LogError, UsageError

_ABOUT = "store.json"
_AT_ONCE = 16  # heads read at the same time
_TRIES = 6  # a read that meets a file just deleted by a compaction begins anew with a new list


@dataclass(frozen=True, slots=True)
class Damage:
    """A file that could not be read and was set aside: its rows are missing from what is served."""

    file: str
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class Snapshot:
    """What a store held at one instant. parts: by name. damage: heads that could not be read."""

    parts: Mapping[str, Part]
    chosen: Chosen
    damage: tuple[Damage, ...] = ()

    @property
    def recordings(self) -> int:
        """How many recordings count."""
        return sum(len(keys) for keys in self.chosen.counting.values())


@dataclass(slots=True)
class Store:
    """A store that was opened. damage: files found damaged so far, each named once."""

    place: Place
    damage: dict[str, Damage] = field(default_factory=dict)
    _parts: dict[str, Part] = field(default_factory=dict)

    @property
    def url(self) -> str:
        return self.place.url

    # ---- reading

    def snapshot(self) -> Snapshot:
        """The parts that are whole just now, and which recordings count. Heads that were read stay in memory."""
        from concurrent.futures import ThreadPoolExecutor

        parts: dict[str, Part] = {}
        damage = []
        listed = [entry for entry in self.place.entries(HEAD) if entry.name.endswith(".parquet")]
        with ThreadPoolExecutor(_AT_ONCE) as pool:  # an object store takes its time over each
            heads = list(pool.map(self._head, listed))
        for entry, read in zip(listed, heads, strict=True):
            if isinstance(read, Part):
                parts[read.name] = read
            elif isinstance(read, DamagedError):
                damage.append(self._found(entry.name, read))
        self._parts = parts
        return Snapshot(parts, choose(parts.values()), tuple(damage))

    def _head(self, entry: Entry) -> Part | DamagedError | None:
        """One head, or what is wrong with it; None where it was compacted away since it was listed: its rows are in
        another part of the list, or of the next.
        """
        name = entry.name.removeprefix(f"{HEAD}/").removesuffix(".parquet")
        if name in self._parts:
            return self._parts[name]
        try:
            head, rows, schema = read_head(self.place, entry.name)
        except FileNotFoundError:
            return None
        except DamagedError as fault:
            return fault
        if schema > SCHEMA:
            raise UsageError(
                f"The store was written by a later idlewhy (tables of version {schema}, known up to {SCHEMA}).",
                where=f"{self.url}/{entry.name}",
                mend="Update idlewhy.",
            )
        return Part(name, rows, head, entry.age_s)

    def read(
        self,
        table: str,
        columns: Sequence[str] | None = None,
        *,
        vehicle: str | None = None,
        at: Snapshot | None = None,
    ) -> Any:
        """One table over all recordings that count, as an Arrow table; nothing half, nothing twice.

        columns: those wanted; None for all. vehicle: rows of this one alone. at: the instant to
        read, so that several tables fit together; a compaction may end it, then it is now. What a damaged file held is
        missing and its name is in `damage`. Raises UsageError for a table or column that does not exist.
        """
        names = _checked(table, columns)
        for attempt in range(_TRIES):
            snapshot = at if at is not None and not attempt else self.snapshot()
            try:
                return self._read(snapshot, table, names, vehicle)
            except FileNotFoundError as fault:
                if attempt + 1 == _TRIES:
                    missing = str(fault.filename or fault)
                    raise LogError(
                        "A file that the store's own list names is missing.",
                        where=missing,
                        mend="Run `idlewhy fleet compact`, which sets the part aside, then add its logs again.",
                    ) from fault
        raise AssertionError

    def _read(self, snapshot: Snapshot, table: str, names: list[str], vehicle: str | None) -> Any:
        import pyarrow as pa
        import pyarrow.compute as pc

        pieces = []
        filters = None if vehicle is None else pc.field("vehicle") == vehicle
        for name, counting in sorted(snapshot.chosen.counting.items()):
            part = snapshot.parts[name]
            if not part.rows.get(table):
                continue
            whole = len(counting) == len(part.head)
            wanted = list(dict.fromkeys([*names, *([] if whole else ["recording"])]))
            try:
                piece = read_table(self.place, part.file(table), table, wanted, filters)
            except DamagedError as fault:
                self._found(part.file(table), fault)
                continue
            if not whole:
                piece = piece.filter(pc.is_in(piece.column("recording").cast(pa.string()), counting))
            pieces.append(piece.select(names))
        schema = pa.schema([schema_of(table).field(name) for name in names])
        if not pieces:
            return without_rows(schema)
        return pa.concat_tables(pieces).unify_dictionaries().combine_chunks()

    def _found(self, name: str, fault: DamagedError) -> Damage:
        return self.damage.setdefault(name, Damage(name, str(fault)))

    # ---- writing

    def add(self, facts: Sequence[Mapping[str, Any]]) -> str:
        """Put the tables of some recordings into the store as one part; the same recordings twice change nothing.

        facts: of each recording its tables by name (see `fleet.facts.facts`). Returns the part's name. A writer killed
        in the middle leaves files without a head, which nobody reads and the next add of the same logs replaces.
        """
        import pyarrow as pa

        keys = [key for one in facts for key in one[HEAD].column("recording").to_pylist()]
        name = part_name(keys)
        order = sorted(range(len(facts)), key=keys.__getitem__)
        merged = {
            table: pa.concat_tables([facts[place][table] for place in order if table in facts[place]])
            for table in TABLES
            if any(table in one for one in facts)
        }
        self.write_part(name, merged)
        return name

    def write_part(self, name: str, tables: Mapping[str, Any]) -> None:
        """Write the files of a part, its head last."""
        rows = {table: len(content) for table, content in tables.items() if len(content)}
        for table in [*(one for one in rows if one != HEAD), HEAD]:
            self.place.write(file_name(table, name), to_bytes(tables[table].unify_dictionaries(), rows))

    # ---- vehicles, from manifests

    def read_vehicles(self, table: str) -> Any:
        """`vehicles` or `visits`: of each vehicle the rows of the latest manifest that names it."""
        import pyarrow as pa

        latest: dict[str, int] = {}
        pieces = []
        for name in self._manifests():
            try:
                heads = read_table(self.place, f"vehicles/{name}", "vehicles", None, None)
                rows = heads if table == "vehicles" else read_table(self.place, f"visits/{name}", "visits", None, None)
            except (DamagedError, FileNotFoundError) as fault:
                self._found(f"vehicles/{name}", DamagedError(str(fault)))
                continue
            for row in heads.to_pylist():
                latest[row["vehicle"]] = row["sequence"]
            pieces.append(rows)
        if not pieces:
            return without_rows(schema_of(table))
        rows = [row for row in pa.concat_tables(pieces).to_pylist() if row["sequence"] == latest[row["vehicle"]]]
        return table_of(table, sorted(rows, key=lambda row: (row["vehicle"], str(row.get("day")))))

    def _manifests(self) -> list[str]:
        names = [entry.name.removeprefix("vehicles/") for entry in self.place.entries("vehicles")]
        return sorted(name for name in names if name.endswith(".parquet"))

    def add_vehicles(self, vehicles: list[dict[str, Any]], visits: list[dict[str, Any]]) -> None:
        """Keep what a manifest says of vehicles; the same as the latest changes nothing."""
        words = json.dumps([vehicles, visits], sort_keys=True, default=str).encode()
        digest = hashlib.sha256(words).hexdigest()[:32]
        names = self._manifests()
        if not vehicles or (names and names[-1].split("-")[1].startswith(digest)):
            return
        sequence = int(names[-1].split("-")[0]) + 1 if names else 1
        name = f"{sequence:08d}-{digest}.parquet"
        for table, rows in (("visits", visits), ("vehicles", vehicles)):
            content = table_of(table, [{**row, "sequence": sequence} for row in rows])
            self.place.write(f"{table}/{name}", to_bytes(content, {table: len(rows)}))

    # ---- what the store says of itself

    def about(self) -> dict[str, Any]:
        """store.json: whether names are pseudonyms, and by which key."""
        try:
            with self.place.open(_ABOUT) as file:
                about: dict[str, Any] = json.loads(file.read())
        except FileNotFoundError:
            return {}
        return about

    def declare(self, about: Mapping[str, Any]) -> None:
        """Write store.json."""
        text = json.dumps({"schema": "idlewhy.store/1", **about}, indent=1, sort_keys=True) + "\n"
        self.place.write(_ABOUT, text.encode())


def open_store(url: str | Path, *, must_exist: bool = False) -> Store:
    """A store in a local folder or under a URL that fsspec knows; made when it is first written to.

    must_exist: raise UsageError where nothing has been added yet.
    """
    store = Store(open_place(url))
    if must_exist and not store.place.entries(HEAD):
        raise UsageError(
            "There is no store here, or nothing was added to it yet.",
            where=store.url,
            mend="Add logs first: idlewhy fleet add LOG... --platform P --store FOLDER",
        )
    return store


def _checked(table: str, columns: Sequence[str] | None) -> list[str]:
    if table not in TABLES:
        raise UsageError(f"The store has no table {table!r}.", mend=f"Tables: {', '.join((*TABLES, *VEHICLES))}.")
    known = [column.name for column in TABLES[table]]
    wrong = [name for name in columns or () if name not in known]
    if wrong:
        raise UsageError(f"The table {table} has no column {wrong[0]!r}.", mend=f"Columns: {', '.join(known)}.")
    return known if columns is None else list(columns)
