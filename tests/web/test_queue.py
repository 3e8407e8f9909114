"""The queue: order, bound, cancel, servers that die, two servers on one store, deleting, retention."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from idlewhy.web.jobs import Job
from idlewhy.web.office import Office
from idlewhy.web.problems import Problem
from idlewhy.web.queue import LEASE_S, worker_name
from idlewhy.web.run_child import Fault
from idlewhy.web.settings import Settings

pytestmark = pytest.mark.fault


@pytest.fixture
def office(tmp_path: Path) -> Any:
    made = Office(Settings(folder=tmp_path / "store", max_queue=3))
    yield made
    made.close()


def _job(office: Office, vehicle: str = "van", data: bytes | None = None) -> Job:
    upload = office.uploads.create("me", "a.log", None)
    with office.uploads.write(upload, 0) as writing:
        writing.add(data or os.urandom(1000))
    upload = office.uploads.finish(upload.id)
    assert upload.sha256 is not None
    return office.jobs.add_recording("me", vehicle, "example-van", [(upload.sha256, "a.log")])


def _files(office: Office) -> set[str]:
    return {path.name for path in (office.settings.folder / "logs").iterdir()}


def test_jobs_are_served_in_the_order_they_came_and_know_their_place(office: Office) -> None:
    first, second, third = _job(office), _job(office), _job(office)
    assert [office.jobs.get(one.id).place_in_line for one in (first, second, third)] == [1, 2, 3]
    claim = office.queue.claim("me:1:1:1")
    assert claim is not None
    assert claim.job.id == first.id
    assert [office.jobs.get(one.id).place_in_line for one in (second, third)] == [1, 2]


def test_a_full_queue_says_busy_and_the_place_and_keeps_the_upload(office: Office) -> None:
    for _ in range(3):
        _job(office)
    with pytest.raises(Problem) as caught:
        _job(office)
    assert caught.value.status == 503
    assert "your place would be 4" in caught.value.detail
    assert len(_files(office)) == 4


def test_a_cancelled_job_is_not_served_and_its_late_result_is_nobodys(office: Office) -> None:
    job = _job(office)
    claim = office.queue.claim("me:1:1:1")
    assert claim is not None
    office.jobs.cancel(job.id)
    assert not office.queue.beat(claim, {})
    assert not office.queue.done(claim, {}, "", "late")
    assert office.jobs.get(job.id).state == "cancelled"
    assert office.queue.claim("me:1:1:1") is None
    with pytest.raises(Problem):
        office.jobs.cancel(job.id)


def test_what_a_dead_server_left_behind_is_served_again_three_times_at_most(office: Office) -> None:
    job = _job(office)
    dead = worker_name().replace(f":{os.getpid()}:", ":999999999:")
    for _ in range(3):
        assert office.queue.claim(dead) is not None
        assert office.queue.take_back_from_the_dead() == 1
    assert office.jobs.get(job.id).state == "failed"


def test_the_job_of_a_living_server_is_left_to_it(office: Office) -> None:
    _job(office)
    assert office.queue.claim(worker_name()) is not None
    assert office.queue.take_back_from_the_dead() == 0


def test_a_server_on_another_machine_counts_as_dead_when_it_falls_silent(office: Office) -> None:
    _job(office)
    assert office.queue.claim("elsewhere:1:1:1") is not None
    assert office.queue.take_back_from_the_dead() == 0
    with office.database.change() as db:
        db.execute("UPDATE job SET beat = ?", (time.time() - LEASE_S - 1,))
    assert office.queue.take_back_from_the_dead() == 1


def test_two_servers_never_take_the_same_job(office: Office) -> None:
    other = Office(office.settings)
    _job(office)
    claims = [office.queue.claim("a:1:1:1"), other.queue.claim("b:1:1:1")]
    other.close()
    assert sum(one is not None for one in claims) == 1


def test_a_job_given_back_keeps_its_place(office: Office) -> None:
    first = _job(office)
    _job(office)
    claim = office.queue.claim("me:1:1:1")
    assert claim is not None
    office.queue.give_back(claim)
    assert office.jobs.get(first.id).place_in_line == 1


def test_deleting_deletes_the_log_the_result_and_the_name(office: Office) -> None:
    job = _job(office, "SECRETNAME-4711", b"SECRETBYTES" * 100)
    claim = office.queue.claim("me:1:1:1")
    assert claim is not None
    work = office.results.begin()
    (work / "report.html").write_text("SECRETREPORT")
    office.queue.done(claim, {"happened": "SECRETANSWER"}, "", office.results.take(work))
    office.delete_job(office.jobs.get(job.id))
    office.close()
    left = b"".join(path.read_bytes() for path in office.settings.folder.rglob("*") if path.is_file())
    assert b"SECRET" not in left


def test_a_log_that_another_recording_uses_stays(office: Office) -> None:
    first, second = _job(office, data=b"same" * 100), _job(office, data=b"same" * 100)
    assert len(_files(office)) == 1
    office.delete_job(first)
    assert len(_files(office)) == 1
    office.delete_job(second)
    assert not _files(office)


def _end_all(office: Office) -> None:
    while (claim := office.queue.claim("me:1:1:1")) is not None:
        office.queue.failed(claim, Fault("log", "no"))


def test_old_recordings_are_deleted_by_age(tmp_path: Path) -> None:
    office = Office(Settings(folder=tmp_path, retain_s=100.0))
    old, new = _job(office), _job(office)
    _end_all(office)
    with office.database.change() as db:
        db.execute("UPDATE job SET created = created - 200 WHERE id = ?", (old.id,))
    office.keep_house()
    assert [one.id for one in office.jobs.latest()] == [new.id]
    office.close()


def test_the_oldest_recordings_are_deleted_beyond_the_size(tmp_path: Path) -> None:
    office = Office(Settings(folder=tmp_path, retain_bytes=2500))
    jobs = [_job(office, data=os.urandom(1000)) for _ in range(4)]
    _end_all(office)
    office.keep_house()
    assert {one.id for one in office.jobs.latest()} == {one.id for one in jobs[2:]}  # by hand: 2 x 1000 <= 2500
    assert len(_files(office)) == 2
    office.close()


def test_an_upload_that_nobody_uses_is_deleted_after_two_days(office: Office) -> None:
    upload = office.uploads.create("me", "a.log", 100)
    with office.database.change() as db:
        db.execute("UPDATE upload SET touched = touched - ?", (3 * 86_400,))
    office.keep_house()
    assert upload.id not in _files(office)


def test_the_connection_of_a_thread_that_ended_is_closed(office: Office) -> None:
    for _ in range(5):
        thread = threading.Thread(target=office.database.connection)
        thread.start()
        thread.join()
    assert len(office.database._open) <= 2  # this thread's and the last one's
