"""Adding many logs: skipping what is in, listing what fails, surviving dying workers, the same result everywhere."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import pytest

from fleet.batch import add_logs, add_manifest
from fleet.manifest import ManifestRow, Visit
from fleet.places import Entry, LocalFolder
from fleet.privacy import Pseudonyms, read_key
from fleet.sources import Task
from fleet.store import Store, open_store
from fleet.tables import TABLES
from idle_stop.analysis import Analysis
from idlewhy.demo import make_logs
from signal_defs.errors import LogError, UsageError

pytestmark = pytest.mark.fault


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> list[Task]:
    """Three vehicles of the demo as tasks, and a file that is no log."""
    folder = tmp_path_factory.mktemp("logs")
    made = make_logs(folder, only=("van-01", "hatch-01", "hatch-02"))
    tasks = [Task(one.id, one.platform, tuple(str(log) for log in one.logs)) for one in made]
    bad = folder / "broken.log"
    bad.write_text("this is no log\n", encoding="ascii")
    return [*tasks, Task("van-9", "example-van", (str(bad),))]


def _content(store: Store) -> dict[str, list[dict[str, object]]]:
    tables = {name: store.read(name).to_pylist() for name in TABLES}
    return {name: sorted(rows, key=lambda row: (row["recording"], str(row))) for name, rows in tables.items()}


def test_what_is_in_is_skipped_and_one_bad_log_stops_nothing(demo: list[Task], store: Store) -> None:
    first = add_logs(store, demo)
    assert (first.added, first.known) == (3, 0)
    assert [fault.task.vehicle for fault in first.failed] == ["van-9"]
    assert "no log of a known format" in first.failed[0].why
    before = _content(store)
    again = add_logs(store, demo)
    assert (again.added, again.known, len(again.failed)) == (0, 3, 1)
    assert _content(store) == before


def test_the_result_is_the_same_to_the_last_digit_with_local_workers(
    demo: list[Task], store: Store, tmp_path: Path
) -> None:
    add_logs(store, demo)
    other = open_store(tmp_path / "other")
    report = add_logs(other, demo, workers=2)
    assert (report.added, len(report.failed)) == (3, 1)
    assert _content(other) == _content(store)


def test_two_adds_at_once_double_nothing(demo: list[Task], store: Store) -> None:
    pair = [threading.Thread(target=add_logs, args=(open_store(store.url), demo[:3])) for _ in range(2)]
    for one in pair:
        one.start()
    for one in pair:
        one.join()
    rows = [(row["recording"], row["row"]) for row in store.read("standstills").to_pylist()]
    assert len(rows) == len(set(rows))
    assert store.snapshot().recordings == 3


def test_an_add_lists_the_store_as_often_however_many_logs_it_has(
    demo: list[Task], store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    listed: list[str] = []
    plain = LocalFolder.entries

    def counted(self: LocalFolder, folder: str) -> list[Entry]:
        listed.append(folder)
        return plain(self, folder)

    monkeypatch.setattr(LocalFolder, "entries", counted)
    add_logs(store, demo[1:3])
    few = listed.count("recordings")
    listed.clear()
    add_logs(store, [*demo[1:3]] * 4)
    assert listed.count("recordings") == few


class _Deadly:
    """Kills the worker over one vehicle's log, always, and over another's the first time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __call__(self, analysis: Analysis) -> None:
        if analysis.vehicle == "hatch-01":
            os.kill(os.getpid(), 9)
        once = self.folder / "died-once"
        if analysis.vehicle == "hatch-02" and not once.exists():
            once.touch()
            os.kill(os.getpid(), 9)


def test_a_log_that_kills_its_workers_is_listed_and_the_rest_is_added(
    demo: list[Task], store: Store, tmp_path: Path
) -> None:
    report = add_logs(store, demo[:3], workers=1, also=_Deadly(tmp_path))
    assert [fault.task.vehicle for fault in report.failed] == ["hatch-01"]
    assert "died" in report.failed[0].why
    assert set(store.read("recordings").column("vehicle").to_pylist()) == {"van-01", "hatch-02"}
    assert add_logs(store, demo[:3]).added == 1  # nothing that was done is done again


_CLUSTER = """
import time
from distributed import LocalCluster
if __name__ == "__main__":
    cluster = LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None, host="127.0.0.1")
    print(cluster.scheduler_address, flush=True)
    time.sleep(120)
"""


def test_a_scheduler_killed_in_the_middle_is_told_and_the_next_add_goes_on(
    demo: list[Task], store: Store, tmp_path: Path
) -> None:
    (tmp_path / "cluster.py").write_text(_CLUSTER, encoding="ascii")
    cluster = subprocess.Popen(
        [sys.executable, str(tmp_path / "cluster.py")],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
    )
    assert cluster.stdout is not None
    address = cluster.stdout.readline().strip()

    def kill(_stage: str, done: int, _total: int) -> None:
        if done == 1:
            os.kill(cluster.pid, 9)

    try:
        with pytest.raises(LogError, match="scheduler was lost"):
            add_logs(store, demo[:3], scheduler=address, progress=kill)
    finally:
        cluster.kill()
        cluster.wait()
        cluster.stdout.close()
    before = store.snapshot().recordings
    assert before >= 1
    report = add_logs(store, demo[:3])
    assert (report.known, report.added) == (before, 3 - before)


def test_a_scheduler_that_does_not_answer_is_told(demo: list[Task], store: Store) -> None:
    with pytest.raises(UsageError, match="does not answer"):
        add_logs(store, demo, scheduler="tcp://127.0.0.1:9")


def test_a_changed_definition_makes_the_log_count_anew_and_once(demo: list[Task], store: Store, tmp_path: Path) -> None:
    import signal_defs

    shipped = Path(signal_defs.__file__).parent / "platforms" / "example-hatch"
    mine = tmp_path / "example-hatch"
    shutil.copytree(shipped, mine)
    task = Task("hatch-01", str(mine), demo[1].logs)
    add_logs(store, [task])
    text = (mine / "platform.toml").read_text("utf-8")
    (mine / "platform.toml").write_text(text.replace("capacity_ah = 60", "capacity_ah = 62"), encoding="utf-8")
    assert add_logs(store, [task]).added == 1
    assert store.read("recordings").column("capacity_rated").to_pylist() == [62.0]


def test_names_never_reach_a_pseudonymised_store(demo: list[Task], store: Store, tmp_path: Path) -> None:
    key = tmp_path / "key"
    key.write_text("correct horse battery staple\n", encoding="ascii")
    pseudonyms = read_key(key)
    add_logs(store, demo[:1], pseudonyms=pseudonyms)
    visits = (Visit(date(2025, 3, 2), "visit"),)
    add_manifest(store, [ManifestRow("van-01", depot="north", visits=visits)], pseudonyms)
    assert store.read("recordings").column("vehicle").to_pylist() == [pseudonyms.of("van-01")]
    assert [row["vehicle"] for row in store.read_vehicles("visits").to_pylist()] == [pseudonyms.of("van-01")]
    stored = b"".join(path.read_bytes() for path in Path(store.url).rglob("*") if path.is_file())
    assert b"van-01" not in stored
    with pytest.raises(UsageError, match="holds pseudonyms"):
        add_logs(store, demo[:1])
    with pytest.raises(UsageError, match="another key"):
        add_logs(store, demo[:1], pseudonyms=Pseudonyms(b"another key of sixteen bytes"))


def test_a_pseudonym_is_the_keyed_hash_of_the_name() -> None:
    # source: RFC 4231, test case 2: HMAC-SHA-256 of key "Jefe" begins 5bdcc146bf60754e6a04
    assert Pseudonyms(b"Jefe").of("what do ya want for nothing?") == "v-5bdcc146bf60754"


def test_a_short_key_is_refused(tmp_path: Path) -> None:
    (tmp_path / "key").write_text("short", encoding="ascii")
    with pytest.raises(UsageError, match="5 bytes"):
        read_key(tmp_path / "key")


def test_progress_counts_every_recording(demo: list[Task], store: Store) -> None:
    seen: list[tuple[str, int, int]] = []
    add_logs(store, demo[1:3], progress=lambda *step: seen.append(step))
    assert seen == [("recordings", 1, 2), ("recordings", 2, 2)]


def test_an_object_store_serves_the_same_facts_as_a_folder(
    demo: Sequence[Task], store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fsspec
    from moto.server import ThreadedMotoServer

    for name, value in (("AWS_ACCESS_KEY_ID", "test"), ("AWS_SECRET_ACCESS_KEY", "test")):
        monkeypatch.setenv(name, value)
    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    server.start()
    try:
        host, port = server.get_host_and_port()
        endpoint = f"http://{host}:{port}"
        monkeypatch.setenv("AWS_ENDPOINT_URL", endpoint)
        fsspec.filesystem("s3").mkdir("fleet")
        far = open_store("s3://fleet/store")
        add_logs(far, demo[1:3])
        add_logs(store, demo[1:3])
        assert _content(far) == _content(store)
        from fleet.compact import compact

        compact(far, grace_s=0.0)
        compact(far, grace_s=0.0)
        assert len(far.snapshot().parts) == 1
        assert _content(far) == _content(store)
    finally:
        server.stop()
