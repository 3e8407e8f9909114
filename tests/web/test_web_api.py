"""The API as programs use it: the examples of the README, the OpenAPI document held against the server, problems."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from importlib.resources import files
from pathlib import Path
from typing import Any

import httpx
import jsonschema
import pytest

import signal_defs

README = Path(__file__).parents[2] / "idlewhy/web/README.md"
PLATFORMS = Path(signal_defs.__file__).parent / "platforms"


def test_a_recording_is_analysed_and_says_what_came_out(site: Any, done: dict[str, Any]) -> None:
    assert done["vehicle"] == "hatch"
    assert done["summary"]["happened"]
    assert done["frames"] == 9_000  # by hand: lines of the log
    facts = site.call("GET", f"/api/v1/recordings/{done['id']}/analysis").json()
    schema = json.loads(files("reports").joinpath("schema/analysis-1.schema.json").read_text("utf-8"))
    jsonschema.validate(facts, schema)
    assert facts["recording"]["sources"][0]["name"] == "monday.log"
    traces = site.call("GET", f"/api/v1/recordings/{done['id']}/traces")
    assert traces.content.startswith(b"PAR1")  # source: Apache Parquet, file format


def test_a_report_is_served_in_an_origin_of_its_own(site: Any, done: dict[str, Any]) -> None:
    answer = site.call("GET", f"/recordings/{done['id']}/report")
    policy = answer.headers["content-security-policy"]
    assert "sandbox allow-scripts" in policy
    assert "allow-same-origin" not in policy
    assert "unsafe" not in policy
    style = answer.text.partition("<style>")[2].partition("</style>")[0].encode()
    assert base64.b64encode(hashlib.sha256(style).digest()).decode() in policy.partition("style-src")[2]
    assert "monday.log" in answer.text
    assert str(site.settings.folder) not in answer.text


def test_nothing_hostile_in_a_name_becomes_markup(site: Any, logs: dict[str, Path]) -> None:
    name = '"><script>alert(1)</script>\u202e.log'
    job = site.record(site.upload(logs["tuesday"].read_bytes(), name), vehicle="<img src=x onerror=alert(1)>")
    made = site.finished(job["id"])
    assert made["state"] == "done"
    for path in (f"/recordings/{job['id']}", f"/recordings/{job['id']}/report", "/", "/vehicles"):
        page = site.call("GET", path, headers={"Accept": "text/html"}).text
        assert "<script>alert" not in page
        assert "<img src=x" not in page
        assert "\u202e" not in page
    site.call("DELETE", f"/api/v1/recordings/{job['id']}")


def test_a_log_that_is_none_fails_with_its_own_name_and_a_mend(site: Any) -> None:
    job = site.record(site.upload(b"hello" * 1000, "notes.txt"))
    made = site.finished(job["id"])
    assert made["state"] == "failed"
    assert made["fault"]["kind"] == "log"
    assert "notes.txt" in made["fault"]["place"]
    assert made["fault"]["mend"]
    assert str(site.settings.folder) not in json.dumps(made)


def test_a_wrong_platform_is_mended_and_the_log_is_not_uploaded_again(site: Any, logs: dict[str, Path]) -> None:
    folder = PLATFORMS / "example-hatch"
    toml = (folder / "platform.toml").read_bytes()
    good = {"platform.toml": toml, "sensor.ldf": (folder / "sensor.ldf").read_bytes()}
    broken = {**good, "platform.toml": toml.replace(b"SensorFast.Voltage", b"SensorFast.Volts")}

    def coded(sources: dict[str, bytes]) -> dict[str, Any]:
        return {"files": {name: base64.b64encode(data).decode() for name, data in sources.items()}}

    made = site.call("POST", "/api/v1/platforms", json=coded(broken))
    assert made.status_code == 201, made.text
    platform = made.json()
    assert platform["errors"] == 1
    assert "Volts" in json.dumps(platform["findings"])
    assert platform["findings"][0]["place"].startswith("platform.toml, line ")
    job = site.record(site.upload(logs["monday"].read_bytes()), platform=platform["id"])
    failed = site.finished(job["id"])
    assert failed["fault"]["kind"] == "definition"
    mended = site.call("PUT", f"/api/v1/platforms/{platform['id']}", json=coded({"platform.toml": toml})).json()
    assert mended["errors"] == 0
    again = site.call("POST", f"/api/v1/recordings/{job['id']}/again", json={})
    assert again.status_code == 202
    assert site.finished(job["id"])["state"] == "done"
    assert site.call("DELETE", f"/api/v1/platforms/{platform['id']}").status_code == 204


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'databases = ["sensor.ldf"]', b'databases = ["/etc/passwd"]'),
        (b'databases = ["sensor.ldf"]', b'databases = ["../../idlewhy-web.sqlite"]'),
        (b"schema = 1", b'schema = 1\nextends = "/etc"'),
    ],
)
def test_a_platform_that_reaches_outside_is_stopped_at_the_door(site: Any, old: bytes, new: bytes) -> None:
    toml = (PLATFORMS / "example-hatch/platform.toml").read_bytes().replace(old, new)
    made = site.call("POST", "/api/v1/platforms", json={"files": {"platform.toml": base64.b64encode(toml).decode()}})
    assert made.json()["errors"] >= 1
    assert made.json()["findings"][0]["code"] == "outside"


@pytest.mark.parametrize(
    "name", ["../a.dbc", "/a.dbc", "a/b.dbc", ".a.dbc", "a.py", "b.toml", "a\n.dbc", "x" * 99 + ".dbc"]
)
def test_a_file_of_a_platform_has_a_plain_name(site: Any, name: str) -> None:
    body = {"files": {"platform.toml": "", name: ""}}
    assert site.call("POST", "/api/v1/platforms", json=body).status_code == 422


def test_two_recordings_are_compared_and_deleting_one_deletes_the_comparison(
    site: Any, done: dict[str, Any], logs: dict[str, Path]
) -> None:
    second = site.record(site.upload(logs["tuesday"].read_bytes(), "tuesday.log"))
    site.finished(second["id"])
    made = site.call("POST", "/api/v1/comparisons", json={"before": done["id"], "after": second["id"]})
    assert made.status_code == 202
    comparison = made.json()["id"]
    assert site.finished(comparison, "comparisons")["state"] == "done"
    assert "before and after" in site.call("GET", f"/api/v1/comparisons/{comparison}/report").text
    for language in ("en", "de", "en"):
        fleet = site.call("GET", "/fleet/report", headers={"accept-language": language})
        assert f'<html lang="{language}"' in fleet.text
    assert site.call("DELETE", f"/api/v1/recordings/{second['id']}").status_code == 204
    assert site.call("GET", f"/api/v1/comparisons/{comparison}").status_code == 404
    assert list((site.settings.folder / "fleet").iterdir()) == []
    same = site.call("POST", "/api/v1/comparisons", json={"before": done["id"], "after": done["id"]})
    assert same.status_code == 422


def test_progress_comes_as_events_until_the_job_is_over(site: Any, logs: dict[str, Path]) -> None:
    job = site.record(site.upload(logs["monday"].read_bytes()), vehicle="events")
    states, kinds = [], []
    with httpx.stream("GET", f"{site.address}/recordings/{job['id']}/events", timeout=30.0) as stream:
        for line in stream.iter_lines():
            if line.startswith("event:"):
                kinds.append(line.partition(":")[2].strip())
            if line.startswith("data:") and kinds[-1] == "state":
                states.append(json.loads(line[5:]))
    assert kinds[-1] == "over"
    assert states[-1]["state"] == "done"
    assert states[-1]["frames"] == 9_000
    assert {"running", "done"} <= {one["state"] for one in states}
    site.call("DELETE", f"/api/v1/recordings/{job['id']}")


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("GET", "/api/v1/recordings/nonsense", 404),
        ("GET", "/api/v1/nowhere", 404),
        ("PUT", "/api/v1/recordings", 405),
        ("POST", "/api/v1/recordings", 422),
        ("GET", "/api/v1/recordings?limit=0", 422),
    ],
)
def test_an_error_is_a_problem_document(site: Any, method: str, path: str, status: int) -> None:
    answer = site.call(method, path, json={} if method == "POST" else None)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"  # source: RFC 9457 section 3
    body = answer.json()
    assert body["status"] == status
    assert body["type"].startswith("urn:idlewhy:problem:")
    assert body["title"]
    assert body["detail"]


def test_health_and_metrics_answer(site: Any) -> None:
    assert site.call("GET", "/health/live").json() == {"status": "ok"}
    assert site.call("GET", "/health/ready").json()["status"] == "ok"
    text = site.call("GET", "/metrics").text
    assert 'idlewhy_jobs_in_state{state="done"}' in text
    assert "hatch" not in text


_HOOKS = """
import schemathesis

schemathesis.serializer.alias("application/offset+octet-stream", "application/octet-stream")
"""


def test_the_server_does_what_its_openapi_document_says(start: Any, tmp_path: Path) -> None:
    site = start(workers=0, reads_per_s=1e6, writes_per_s=1e6)
    token = site.application.office.identity.new_token("all", {"admin"})
    (tmp_path / "hooks.py").write_text(_HOOKS)
    ended = subprocess.run(
        [
            str(Path(sys.executable).parent / "schemathesis"),
            "run",
            f"{site.address}/api/v1/openapi.json",
            f"--header=Authorization: Bearer {token}",
            "--max-examples=4",
            "--phases=coverage,fuzzing",
            "--checks=not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance",
            "--seed=1",
            "--max-time=12",
            "--generation-database=none",
            "--no-color",
        ],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        cwd=tmp_path,
        env={**os.environ, "SCHEMATHESIS_HOOKS": "hooks", "PYTHONPATH": str(tmp_path)},
    )
    assert ended.returncode == 0, ended.stdout[-6000:] + ended.stderr[-2000:]


def _example(language: str) -> str:
    found = re.search(rf"```{language}\n(.*?)```", README.read_text("utf-8"), re.DOTALL)
    assert found is not None
    return found[1]


@pytest.mark.parametrize("language", ["sh", "python"])
def test_the_examples_of_the_readme_work_as_they_stand(
    site: Any, logs: dict[str, Path], tmp_path: Path, language: str
) -> None:
    shutil.copy(logs["monday"], tmp_path / "monday.log")
    text = _example(language).replace("http://127.0.0.1:8765", site.address).replace("example-van", "example-hatch")
    program = ["sh", "-eu", "-c", text] if language == "sh" else [sys.executable, "-c", text]
    environment = {**os.environ, "IDLEWHY_TOKEN": ""}
    ended = subprocess.run(
        program, capture_output=True, text=True, check=False, timeout=60, cwd=tmp_path, env=environment
    )
    assert ended.returncode == 0, ended.stderr
    assert "idle-stop" in ended.stdout
    assert (tmp_path / "report.html").read_text("utf-8").startswith("<!doctype html>")
