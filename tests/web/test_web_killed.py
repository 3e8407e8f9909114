"""A server that is killed at the worst moment loses nothing it acknowledged; one that is told to stop ends in order."""

from __future__ import annotations

import hashlib
import os
import time
from pathlib import Path
from typing import Any

import httpx
import pytest

pytestmark = pytest.mark.fault

TUS = {"Tus-Resumable": "1.0.0"}
BYTES = {**TUS, "Content-Type": "application/offset+octet-stream"}


def _running(address: str, job: str) -> dict[str, Any]:
    until = time.monotonic() + 20
    found: dict[str, Any] = {}
    while time.monotonic() < until:
        found = httpx.get(f"{address}/api/v1/recordings/{job}").json()
        if found["state"] == "running":
            return found
        time.sleep(0.05)
    raise AssertionError(found)


def test_killed_in_the_middle_of_an_upload_and_an_analysis_it_goes_on_with_both(
    process: Any, tmp_path: Path, logs: dict[str, Path], tools: Any
) -> None:
    store = tmp_path / "store"
    first = process(store)
    data = os.urandom(400_000)
    path = httpx.post(f"{first.address}/api/v1/uploads", headers={**TUS, "Upload-Length": str(len(data))}).headers[
        "Location"
    ]
    sent = httpx.patch(first.address + path, content=data[:150_000], headers={**BYTES, "Upload-Offset": "0"})
    assert sent.headers["Upload-Offset"] == "150000"
    whole = tools.upload(first.address, logs["monday"].read_bytes(), "monday.log")
    waiting = tools.upload(first.address, logs["tuesday"].read_bytes(), "tuesday.log")
    jobs = [
        httpx.post(
            f"{first.address}/api/v1/recordings",
            json={"vehicle": "a", "platform": "example-hatch", "uploads": [one]},
        ).json()["id"]
        for one in (whole, waiting)
    ]
    _running(first.address, jobs[0])
    children = first.children()
    first.kill()
    time.sleep(0.3)
    assert not any(Path(f"/proc/{one}/cwd").exists() for one in children)  # what it had started died with it

    second = process(store)
    head = httpx.head(second.address + path, headers=TUS)
    assert head.headers["Upload-Offset"] == "150000"
    httpx.patch(second.address + path, content=data[150_000:], headers={**BYTES, "Upload-Offset": "150000"})
    assert httpx.get(second.address + path).json()["sha256"] == hashlib.sha256(data).hexdigest()
    for job in jobs:
        assert tools.finished(second.address, job)["state"] == "done"


def test_told_to_stop_it_gives_its_job_back_and_another_process_takes_it(
    process: Any, tmp_path: Path, logs: dict[str, Path], tools: Any
) -> None:
    store = tmp_path / "store"
    first, other = process(store), process(store, "--workers", "0")
    job = httpx.post(
        f"{other.address}/api/v1/recordings",
        json={
            "vehicle": "a",
            "platform": "example-hatch",
            "uploads": [tools.upload(first.address, logs["monday"].read_bytes())],
        },
    ).json()["id"]
    _running(other.address, job)
    assert first.stop() == 0
    given_back = httpx.get(f"{other.address}/api/v1/recordings/{job}").json()
    assert (given_back["state"], given_back["place_in_line"]) == ("queued", 1)
    process(store)
    assert tools.finished(other.address, job)["state"] == "done"
