"""Logs and databases made to do harm: archives, files of two kinds, a thousand at once, markup in every name."""

from __future__ import annotations

import base64
import io
import re
import zipfile
from pathlib import Path
from typing import Any

import httpx
import pytest

import signal_defs

pytestmark = pytest.mark.fault

FOLDER = Path(signal_defs.__file__).parent / "platforms/example-hatch"
EVIL = "<img src=x onerror=alert(1)>"
PAGE = {"Accept": "text/html"}


def _zipped(names: list[str], data: bytes) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in names:
            archive.writestr(name, data)
    return held.getvalue()


def _is_told(job: dict[str, Any]) -> bool:
    return job["state"] == "done" or (job["state"] == "failed" and job["fault"]["kind"] in {"log", "usage", "limit"})


def test_an_archive_whose_names_lead_outside_writes_nothing_there(site: Any, logs: dict[str, Path]) -> None:
    before = {path for path in site.settings.folder.rglob("*") if path.is_file()}
    data = _zipped(["../../../evil.log", "/tmp/evil.log", "C:\\evil.log"], logs["monday"].read_bytes())
    job = site.finished(site.record(site.upload(data, "logs.zip"), vehicle="archive")["id"])
    assert _is_told(job), job
    after = {path for path in site.settings.folder.rglob("*") if path.is_file()}
    assert not any("evil" in path.name for path in after - before)
    assert not list(site.settings.folder.parent.rglob("*evil*"))
    assert not Path("/tmp/evil.log").exists()


@pytest.mark.parametrize("kind", ["page", "archive", "script"])
def test_a_file_of_two_kinds_is_read_as_a_log_or_refused_and_never_served(
    site: Any, logs: dict[str, Path], kind: str
) -> None:
    log = logs["tuesday"].read_bytes()
    data = {
        "page": f"<!doctype html><script>alert(1)</script>{EVIL}<!--\n".encode() + log + b"-->",
        "archive": log + _zipped(["inner.log"], log),
        "script": b"#!/bin/sh\ntouch /tmp/idlewhy-was-run\nexit\n" + log,
    }[kind]
    job = site.finished(site.record(site.upload(data, f"two.{kind}.html"), vehicle=f"two {kind}")["id"])
    assert _is_told(job), job
    assert not Path("/tmp/idlewhy-was-run").exists()
    page = site.call("GET", f"/recordings/{job['id']}", headers=PAGE).text
    assert "<script>alert" not in page
    assert EVIL not in page


def test_a_thousand_small_logs_are_one_recording(start: Any) -> None:
    site = start()
    lines = [f"({1_741_000_000 + 10 * n}.000000) can0 123#00{n:04X}\n".encode() for n in range(1000)]
    with httpx.Client(base_url=site.address, timeout=120) as person:
        key = person.get("/").text.partition('name="form" value="')[2].partition('"')[0]
        fields = {"form": key, "vehicle": "many", "platform": "example-hatch", "language": "en"}
        files = [("logs", (f"{n}.log", line)) for n, line in enumerate(lines)]
        answer = person.post("/upload", data=fields, files=files)
    assert answer.status_code == 303, answer.text
    job = site.finished(answer.headers["Location"].rpartition("/")[2], seconds=60)
    assert _is_told(job), job
    assert len(job["logs"]) == 1000


def test_an_empty_log_fails_and_says_so(site: Any) -> None:
    job = site.finished(site.record(site.upload(b"", "empty.log"), vehicle="nothing")["id"])
    assert job["state"] == "failed"
    assert "empty.log" in job["fault"]["place"] + job["fault"]["what"]


def test_markup_in_every_name_of_a_platform_stays_text(site: Any, logs: dict[str, Path]) -> None:
    toml = (FOLDER / "platform.toml").read_text("utf-8")
    toml = re.sub(r'(?m)^title = ".*"', f'title = "{EVIL}"', toml)
    toml = toml.replace('name = "state of charge"', f'name = "{EVIL} soc"')
    toml = toml.replace("example value, common practice", f"source {EVIL}")
    database = (FOLDER / "sensor.ldf").read_text("utf-8").replace('"not plausible"', f'"{EVIL}"')
    sources = {"platform.toml": toml.encode(), "sensor.ldf": database.encode()}
    body = {"files": {name: base64.b64encode(data).decode() for name, data in sources.items()}}
    platform = site.call("POST", "/api/v1/platforms", json=body).json()
    log = site.upload(logs["monday"].read_bytes(), f"{EVIL}.log")
    job = site.finished(site.record(log, vehicle=f"{EVIL} car", platform=platform["id"])["id"])
    assert job["state"] == "done", job
    own = platform["id"].removeprefix("own:")
    paths = ["/", "/platforms", f"/platforms/{own}", "/vehicles", f"/vehicles/{job['vehicle_id']}", "/fleet/report"]
    for path in [*paths, f"/recordings/{job['id']}", f"/recordings/{job['id']}/report"]:
        page = site.call("GET", path, headers=PAGE).text
        assert EVIL not in page, path
    assert "&lt;img" in site.call("GET", f"/recordings/{job['id']}/report").text
