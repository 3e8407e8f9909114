"""The store: nothing half, nothing double, nothing lost, whoever was killed and whatever was added twice."""

from __future__ import annotations

import os
import resource
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from fleet.compact import compact
from fleet.known import listed, read_known
from fleet.places import LocalFolder
from fleet.store import Store, open_store
from fleet.tables import TABLES, VEHICLES, schema_of
from signal_defs.errors import LogError, UsageError

pytestmark = pytest.mark.fault

MakeFacts = Callable[..., dict[str, Any]]


def _standstills(store: Store) -> list[tuple[str, int]]:
    rows = store.read("standstills", ["recording", "row"]).to_pylist()
    return sorted((row["recording"], row["row"]) for row in rows)


def test_what_was_added_is_read_back_as_it_was(store: Store, make_facts: MakeFacts) -> None:
    facts = make_facts("van-1", 0)
    store.add([facts])
    for table, content in facts.items():
        assert store.read(table).to_pylist() == content.to_pylist()


def test_adding_twice_changes_no_byte(store: Store, make_facts: MakeFacts, tmp_path: Path) -> None:
    store.add([make_facts("van-1", 0)])
    before = {path: path.read_bytes() for path in sorted((tmp_path / "store").rglob("*.parquet"))}
    store.add([make_facts("van-1", 0)])
    assert {path: path.read_bytes() for path in sorted((tmp_path / "store").rglob("*.parquet"))} == before


def test_a_recording_in_two_parts_counts_once(store: Store, make_facts: MakeFacts) -> None:
    store.add([make_facts("van-1", 0), make_facts("van-1", 1)])
    store.add([make_facts("van-1", 1), make_facts("van-1", 2)])
    rows = _standstills(store)
    assert len(rows) == len(set(rows)) == 3 * 8  # by hand: three days of eight standstills


def test_a_log_added_alone_and_with_another_counts_once_in_the_larger_recording(
    store: Store, make_facts: MakeFacts
) -> None:
    store.add([make_facts("van-1", 0, logs=("a.log",))])
    store.add([make_facts("van-1", 0, logs=("a.log", "b.log"))])
    assert store.read("recordings").column("files").to_pylist() == [["a.log", "b.log"]]


def test_a_later_definition_takes_the_place_of_the_earlier(store: Store, make_facts: MakeFacts) -> None:
    store.add([make_facts("van-1", 0, definition="old", refused=3)])
    newer = make_facts("van-1", 0, definition="new", refused=1)
    place = newer["recordings"].schema.get_field_index("generation")
    newer["recordings"] = newer["recordings"].set_column(place, "generation", [[1]])
    store.add([newer])
    assert store.read("recordings").column("platform_sha256").to_pylist() == ["new"]
    assert store.read("standstills").column("outcome").to_pylist().count("refused") == 1
    compact(store, grace_s=0.0)
    assert store.read("recordings").column("platform_sha256").to_pylist() == ["new"]


def test_a_writer_killed_before_the_head_leaves_nothing_that_is_read(
    store: Store, make_facts: MakeFacts, tmp_path: Path
) -> None:
    store.add([make_facts("van-1", 0)])
    name = store.add([make_facts("van-1", 1)])
    (tmp_path / "store" / "recordings" / f"{name}.parquet").unlink()  # as if killed just before it was written
    assert len(_standstills(store)) == 8
    store.add([make_facts("van-1", 1)])
    assert len(_standstills(store)) == 16


_WRITER = """
import sys
sys.path.insert(0, {tests!r})
from conftest import facts_of
from fleet.store import open_store
store = open_store({store!r})
for day in range(400):
    store.add([facts_of("van-1", day)])
    print(day, flush=True)
"""


def test_a_writer_killed_at_any_instant_loses_only_what_it_had_not_finished(tmp_path: Path) -> None:
    store = open_store(tmp_path / "store")
    for wait in (0.001, 0.007, 0.019):
        code = _WRITER.format(tests=str(Path(__file__).parent), store=str(tmp_path / "store"))
        writer = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, cwd=tmp_path)
        assert writer.stdout is not None
        assert writer.stdout.readline() == b"0\n"
        time.sleep(wait)
        os.kill(writer.pid, signal.SIGKILL)
        writer.wait()
        writer.stdout.close()
        heads = store.snapshot().parts
        rows = _standstills(store)
        assert len(rows) == len(set(rows)) == 8 * len(heads)
        assert not store.damage
    assert len(store.snapshot().parts) > 0


def test_a_full_disk_is_told_and_what_is_whole_stays(store: Store, make_facts: MakeFacts, tmp_path: Path) -> None:
    store.add([make_facts("van-1", 0)])
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)
    old = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (512, limit[1]))  # no file may grow past it, as on a full disk
    try:
        with pytest.raises(LogError, match="could not be written"):
            store.add([make_facts("van-1", 1)])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limit)
        signal.signal(signal.SIGXFSZ, old)
    assert len(_standstills(store)) == 8
    assert not list((tmp_path / "store" / "half").iterdir())
    store.add([make_facts("van-1", 1)])
    assert len(_standstills(store)) == 16


def test_readers_and_writers_see_whole_parts_while_the_store_is_compacted(store: Store, make_facts: MakeFacts) -> None:
    for day in range(12):
        store.add([make_facts("van-1", day)])
    faults: list[BaseException] = []
    stop = threading.Event()

    def read() -> None:
        mine = open_store(store.url)
        try:
            least = 12
            while not stop.is_set():
                rows = _standstills(mine)
                assert len(rows) == len(set(rows))
                assert len(rows) % 8 == 0
                assert len(rows) // 8 >= least  # what was there stays there
                least = len(rows) // 8
        except BaseException as fault:  # noqa: BLE001 - handed to the main thread
            faults.append(fault)

    reader = threading.Thread(target=read)
    reader.start()
    writer = open_store(store.url)
    for day in range(12, 20):
        writer.add([make_facts("van-1", day)])
        compact(store, grace_s=0.0)
    stop.set()
    reader.join()
    assert faults == []
    compact(store, grace_s=0.0)
    assert len(_standstills(store)) == 20 * 8
    assert len(store.snapshot().parts) == 1


def test_two_compactions_at_once_double_nothing(store: Store, make_facts: MakeFacts) -> None:
    for day in range(10):
        store.add([make_facts("van-1", day)])
    pair = [threading.Thread(target=compact, args=(open_store(store.url),), kwargs={"grace_s": 0.0}) for _ in range(2)]
    for one in pair:
        one.start()
    for one in pair:
        one.join()
    rows = _standstills(store)
    assert len(rows) == len(set(rows)) == 80


@pytest.mark.parametrize("table", ["standstills", "recordings"])
def test_a_damaged_file_is_named_and_set_aside_and_the_rest_served(
    store: Store, make_facts: MakeFacts, tmp_path: Path, table: str
) -> None:
    store.add([make_facts("van-1", 0)])
    name = store.add([make_facts("van-2", 0)])
    file = tmp_path / "store" / table / f"{name}.parquet"
    content = bytearray(file.read_bytes())
    content[40:60] = bytes(20)
    file.write_bytes(content[: len(content) if table == "standstills" else 100])
    assert len(_standstills(store)) == 8
    assert list(store.damage) == [f"{table}/{name}.parquet"]
    done = compact(store, grace_s=0.0)
    assert done.set_aside == (f"{table}/{name}.parquet",)
    assert (tmp_path / "store" / "damaged" / f"{table}-{name}.parquet").exists()
    assert name not in store.snapshot().parts
    store.add([make_facts("van-2", 0)])
    assert len(_standstills(store)) == 16
    assert not open_store(store.url).damage


def test_a_file_that_vanished_is_told_with_its_name(store: Store, make_facts: MakeFacts, tmp_path: Path) -> None:
    name = store.add([make_facts("van-1", 0)])
    (tmp_path / "store" / "standstills" / f"{name}.parquet").unlink()
    with pytest.raises(LogError) as told:
        store.read("standstills")
    assert name in told.value.where


def test_a_column_that_an_older_version_did_not_have_is_unknown(
    store: Store, make_facts: MakeFacts, tmp_path: Path
) -> None:
    name = store.add([make_facts("van-1", 0)])
    file = tmp_path / "store" / "daily" / f"{name}.parquet"
    older = pq.read_table(file).drop_columns(["rest_c"])
    pq.write_table(older, file)
    read = store.read("daily")
    assert read.column("rest_c").null_count == len(read) == 1
    assert read.schema.equals(schema_of("daily"))


def _as_of_last_version(facts: dict[str, Any]) -> dict[str, Any]:
    """What version 1 of the tables would have held: no parked_s, and another key."""
    heads = facts["recordings"]
    place = heads.schema.get_field_index("schema")
    old = {**facts, "recordings": heads.set_column(place, "schema", [[1] * len(heads)])}
    old["daily"] = facts["daily"].drop_columns(["parked_s"])
    for table, content in old.items():
        keys = [f"1{key[1:]}" for key in content.column("recording").to_pylist()]
        old[table] = content.set_column(0, "recording", [keys])
    return old


def test_a_store_of_the_last_version_is_served_and_gives_way_to_its_logs_added_again(
    store: Store, make_facts: MakeFacts, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr("fleet.parquet.SCHEMA", 1)
        store.add([_as_of_last_version(make_facts("van-1", 0))])
        store.add([_as_of_last_version(make_facts("van-1", 1))])
    assert len(_standstills(store)) == 16
    assert store.read("daily").column("parked_s").to_pylist() == [None, None]
    store.add([make_facts("van-1", 0)])
    for _ in range(2):  # before and after the two versions are merged
        assert len(_standstills(store)) == 16
        assert sorted(store.read("recordings").column("schema").to_pylist()) == [1, 2]
        assert store.read("daily").column("parked_s").null_count == 1
        compact(store, grace_s=0.0)


def test_a_list_that_was_cleaned_away_is_made_anew(store: Store, make_facts: MakeFacts) -> None:
    store.add([make_facts("van-1", 0)])
    key = store.read("recordings").column("recording").to_pylist()[0]
    with listed(store) as name:
        store.add([make_facts("van-1", 1)])
        assert read_known(store, name).heads.num_rows == 1
        store.place.delete([name])
        assert read_known(store, name).heads.num_rows == 2
        assert read_known(store, name).has(key)
    assert not store.place.entries("half")


def test_a_store_of_a_later_version_is_refused_with_the_mend(
    store: Store, make_facts: MakeFacts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fleet.parquet.SCHEMA", 99)
    store.add([make_facts("van-1", 0)])
    with pytest.raises(UsageError, match="later idlewhy"):
        store.read("daily")


def test_one_vehicle_can_be_read_alone(store: Store, make_facts: MakeFacts) -> None:
    store.add([make_facts("van-1", 0), make_facts("van-2", 0)])
    assert set(store.read("standstills", ["vehicle"], vehicle="van-2").column("vehicle").to_pylist()) == {"van-2"}


def test_no_table_says_anything_of_position() -> None:
    names = {column.name for columns in (*TABLES.values(), *VEHICLES.values()) for column in columns}
    words = {word for name in names for word in name.split("_")}
    assert not words & {"latitude", "longitude", "lat", "lon", "position", "gps", "altitude", "heading", "route"}


def test_what_a_dead_writer_left_is_removed_after_a_day_and_not_before(
    store: Store, make_facts: MakeFacts, tmp_path: Path
) -> None:
    name = store.add([make_facts("van-1", 0)])
    shutil.copy(tmp_path / "store" / "daily" / f"{name}.parquet", tmp_path / "store" / "daily" / "orphan.parquet")
    half = tmp_path / "store" / "half" / "x.tmp"
    half.write_bytes(b"half")
    compact(store)
    assert half.exists()
    for path in (half, tmp_path / "store" / "daily" / "orphan.parquet"):
        os.utime(path, (time.time() - 90_000,) * 2)
    assert compact(store).deleted == 2
    assert len(store.read("daily")) == 1


def test_a_local_place_lists_nothing_of_a_folder_that_is_not_there(tmp_path: Path) -> None:
    assert LocalFolder(tmp_path / "none").entries("daily") == []


def test_the_latest_manifest_counts_and_the_same_again_changes_nothing(store: Store) -> None:
    first = [{"vehicle": "a", "platform": "p", "battery": "", "depot": "north"}]
    store.add_vehicles(first, [])
    store.add_vehicles(first, [])
    store.add_vehicles([{**first[0], "depot": "south"}], [])
    assert [row["depot"] for row in store.read_vehicles("vehicles").to_pylist()] == ["south"]
    assert len(store.place.entries("vehicles")) == 2
