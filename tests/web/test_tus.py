"""Uploads by the tus protocol 1.0.0 (source: tus.io/protocols/resumable-upload), and what hostile senders do."""

from __future__ import annotations

import hashlib
import os
import socket
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import httpx
import pytest

pytestmark = pytest.mark.fault

TUS = {"Tus-Resumable": "1.0.0"}
BYTES = {"Content-Type": "application/offset+octet-stream"}


@pytest.fixture(scope="module")
def site(start: Any) -> Any:
    return start(workers=0, max_upload_bytes=3_000_000, idle_s=1.0, max_files=20)


def _new(site: Any, size: int | None, **headers: str) -> str:
    length = {"Upload-Defer-Length": "1"} if size is None else {"Upload-Length": str(size)}
    made = site.call("POST", "/api/v1/uploads", headers={**TUS, **length, **headers})
    assert made.status_code == 201, made.text
    return str(made.headers["Location"])


def _add(site: Any, path: str, at: int, data: Any, **headers: str) -> httpx.Response:
    answer: httpx.Response = site.call(
        "PATCH", path, content=data, headers={**TUS, **BYTES, "Upload-Offset": str(at), **headers}
    )
    return answer


def _offset(site: Any, path: str) -> int:
    answer = site.call("HEAD", path, headers=TUS)
    assert answer.headers["Cache-Control"] == "no-store"  # source: tus, "The Server MUST prevent ... caching"
    return int(answer.headers["Upload-Offset"])


def test_an_upload_goes_on_where_it_broke_off_and_its_hash_is_that_of_the_whole(site: Any) -> None:
    data = os.urandom(200_000)
    path = _new(site, len(data))
    assert _offset(site, path) == 0
    assert _add(site, path, 0, data[:70_000]).headers["Upload-Offset"] == "70000"
    assert _offset(site, path) == 70_000
    assert _add(site, path, 70_000, data[70_000:]).status_code == 204
    about = site.call("GET", path).json()
    assert about["state"] == "complete"
    assert about["sha256"] == hashlib.sha256(data).hexdigest()
    assert not about["known"]


def test_a_sender_cut_off_in_the_middle_loses_nothing_that_arrived(site: Any) -> None:
    data = os.urandom(300_000)
    path = _new(site, len(data))
    host, port = site.address.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port))) as line:
        head = f"PATCH {path} HTTP/1.1\r\nHost: {host}:{port}\r\nTus-Resumable: 1.0.0\r\nUpload-Offset: 0\r\n"
        head += f"Content-Type: application/offset+octet-stream\r\nContent-Length: {len(data)}\r\n\r\n"
        line.sendall(head.encode() + data[:100_000])
        time.sleep(0.3)
    time.sleep(0.3)
    at = _offset(site, path)
    assert at == 100_000  # by hand: what was sent before the line was cut
    assert _add(site, path, at, data[at:]).status_code == 204
    assert site.call("GET", path).json()["sha256"] == hashlib.sha256(data).hexdigest()


def test_a_sender_that_falls_silent_is_let_go_and_may_go_on(site: Any) -> None:
    path = _new(site, 100_000)
    host, port = site.address.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port))) as line:
        head = f"PATCH {path} HTTP/1.1\r\nHost: {host}:{port}\r\nTus-Resumable: 1.0.0\r\nUpload-Offset: 0\r\n"
        head += "Content-Type: application/offset+octet-stream\r\nContent-Length: 100000\r\n\r\n"
        line.sendall(head.encode() + b"x" * 1000)
        line.settimeout(5)
        assert b"400" in line.recv(4096).split(b"\r\n")[0]
    assert _offset(site, path) == 1000


def test_the_same_log_twice_is_recognised_and_kept_once(site: Any) -> None:
    data = os.urandom(50_000)
    first, second = site.upload(data, "a.log"), site.upload(data, "b.log")
    about = site.call("GET", f"/api/v1/uploads/{second}").json()
    assert about["known"]
    assert about["name"] == "b.log"
    folder = site.settings.folder / "logs"
    assert (folder / first).exists()
    assert not (folder / second).exists()


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Upload-Length": "10"}, 412),  # source: tus, "Tus-Resumable": a version not spoken is 412
        ({**TUS}, 411),
        ({**TUS, "Upload-Length": "-1"}, 400),
        ({**TUS, "Upload-Length": "3000001"}, 413),
        ({**TUS, "Upload-Length": "9" * 40}, 400),
        ({**TUS, "Upload-Length": "5", "Upload-Defer-Length": "1"}, 411),
        ({**TUS, "Upload-Length": "5", "Upload-Metadata": "filename ***"}, 400),
        ({"Tus-Resumable": "0.2.2", "Upload-Length": "5"}, 412),
    ],
)
def test_an_announcement_that_does_not_do_is_refused_with_its_reason(site: Any, headers: Any, status: int) -> None:
    answer = site.call("POST", "/api/v1/uploads", headers=headers)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["detail"]


def test_bytes_at_the_wrong_place_or_of_the_wrong_kind_are_refused(site: Any) -> None:
    path = _new(site, 100)
    assert _add(site, path, 5, b"x").status_code == 409  # source: tus, core protocol, PATCH
    answer = site.call("PATCH", path, content=b"x", headers={**TUS, "Upload-Offset": "0", "Content-Type": "text/plain"})
    assert answer.status_code == 415
    assert _add(site, path, 0, b"x" * 101).status_code == 413
    assert site.call("PATCH", path, content=b"x", headers={**TUS, **BYTES}).status_code == 400
    assert _offset(site, path) == 0


def test_an_endless_stream_ends_at_the_bound(site: Any) -> None:
    def endless() -> Any:
        for _ in range(1000):
            yield b"x" * 65_536

    path = _new(site, None)
    with suppress(httpx.TransportError):  # the server may close the line before the sender has finished
        assert _add(site, path, 0, endless()).status_code == 413
    kept = site.settings.folder / "logs" / path.rpartition("/")[2]
    assert kept.stat().st_size <= 3_000_000


def test_a_length_given_later_closes_the_upload(site: Any) -> None:
    path = _new(site, None)
    assert site.call("HEAD", path, headers=TUS).headers["Upload-Defer-Length"] == "1"
    assert _add(site, path, 0, b"abc").status_code == 204
    assert _add(site, path, 3, b"def", **{"Upload-Length": "6"}).status_code == 204
    assert site.call("GET", path).json()["sha256"] == hashlib.sha256(b"abcdef").hexdigest()


def test_an_upload_whose_last_byte_came_before_the_server_ended_is_closed_when_the_sender_asks(site: Any) -> None:
    path = _new(site, 6)
    (site.settings.folder / "logs" / path.rpartition("/")[2]).write_bytes(b"abcdef")  # as a killed server leaves it
    assert _offset(site, path) == 6
    assert site.call("GET", path).json()["sha256"] == hashlib.sha256(b"abcdef").hexdigest()


def test_two_senders_never_write_at_once(site: Any) -> None:
    uploads = site.application.office.uploads
    upload = uploads.create("local", "a", 100)
    with uploads.write(upload, 0):
        assert _add(site, f"/api/v1/uploads/{upload.id}", 0, b"x").status_code == 423


def test_an_upload_given_up_leaves_no_byte(site: Any) -> None:
    path = _new(site, 1000)
    _add(site, path, 0, b"x" * 500)
    assert site.call("DELETE", path, headers=TUS).status_code == 204
    assert site.call("HEAD", path, headers=TUS).status_code == 404
    assert not (site.settings.folder / "logs" / path.rpartition("/")[2]).exists()


def test_what_is_spoken_is_said(site: Any) -> None:
    answer = site.call("OPTIONS", "/api/v1/uploads")
    assert answer.headers["Tus-Version"] == "1.0.0"
    assert "creation" in answer.headers["Tus-Extension"]
    assert answer.headers["Tus-Max-Size"] == "3000000"


@pytest.mark.parametrize(
    "name", ["../../etc/passwd", "..\\..\\x.log", "/abs/olute.log", "a\x00b.log", "con", "." * 300]
)
def test_no_name_of_a_user_reaches_the_disk(site: Any, name: str) -> None:
    made = site.upload(os.urandom(100), name)
    shown = site.call("GET", f"/api/v1/uploads/{made}").json()["name"]
    assert "/" not in shown
    assert "\\" not in shown
    assert len(shown) <= 200
    files = {path.name for path in site.settings.folder.rglob("*") if path.is_file()}
    assert all(len(one) == 24 or one.startswith("idlewhy-web.sqlite") for one in files)


def test_the_plain_form_needs_no_script_and_streams_to_disk(start: Any, logs: dict[str, Path]) -> None:
    site = start(workers=0)
    with httpx.Client(base_url=site.address) as person:
        page = person.get("/").text
        key = page.partition('name="form" value="')[2].partition('"')[0]
        fields = {"form": key, "vehicle": "<b>x</b>", "platform": "example-hatch", "language": "de"}
        chosen = [("logs", (path.name, path.read_bytes())) for path in logs.values()]
        answer = person.post("/upload", data=fields, files=chosen)
        assert answer.status_code == 303, answer.text
        shown = person.get(answer.headers["Location"]).text
    assert "&lt;b&gt;x&lt;/b&gt;" in shown
    assert "<b>x" not in shown
    assert "monday.log" in shown
    assert "tuesday.log" in shown
    assert '<noscript><meta http-equiv="refresh"' in shown


def test_a_form_that_is_not_ours_leaves_nothing(site: Any, logs: dict[str, Path]) -> None:
    before = set((site.settings.folder / "logs").iterdir())
    with httpx.Client(base_url=site.address) as person:
        person.get("/")
        answer = person.post("/upload", data={"form": "0" * 64}, files={"logs": ("a.log", b"x" * 1000)})
        assert answer.status_code == 403
        key = person.get("/").text.partition('name="form" value="')[2].partition('"')[0]
        answer = person.post("/upload", data={"form": key}, files={"logs": ("a.log", b"x" * 3_500_000)})
        assert answer.status_code == 413
        many = [("logs", (f"{n}.log", os.urandom(10))) for n in range(21)]
        answer = person.post("/upload", data={"form": key, "platform": "example-hatch"}, files=many)
        assert answer.status_code == 413
        answer = person.post(
            "/upload", content=b"--x\r\nbroken", headers={"Content-Type": "multipart/form-data; boundary=x"}
        )
        assert answer.status_code == 400
    assert set((site.settings.folder / "logs").iterdir()) == before


def test_memory_stays_flat_while_a_large_log_comes_in(process: Any, tmp_path: Path) -> None:
    server = process(tmp_path / "store", "--workers", "0")
    status = Path(f"/proc/{server._running.pid}/status")

    def peak_kb() -> int:
        return int(status.read_text().partition("VmHWM:")[2].split()[0])

    piece = os.urandom(1 << 20)
    size = 150 << 20
    made = httpx.post(f"{server.address}/api/v1/uploads", headers={**TUS, "Upload-Length": str(size)})
    before = peak_kb()
    sent = httpx.patch(
        server.address + made.headers["Location"],
        content=(piece for _ in range(150)),
        headers={**TUS, **BYTES, "Upload-Offset": "0"},
        timeout=60.0,
    )
    assert sent.status_code == 204
    assert peak_kb() - before < 40_000  # [kB] a quarter of the log; common practice, no source


def test_many_senders_at_once_all_arrive(site: Any) -> None:
    found: list[str] = []
    threads = [threading.Thread(target=lambda: found.append(site.upload(os.urandom(20_000)))) for _ in range(20)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert len(set(found)) == 20
