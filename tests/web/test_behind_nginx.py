"""The example of a reverse proxy, run as it stands but for its ports and paths: TLS, tokens, large logs, progress."""

from __future__ import annotations

import hashlib
import shutil
import socket
import ssl
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

import idlewhy

EXAMPLE = Path(idlewhy.__file__).parent / "web/running/nginx.conf"
NAME = "idlewhy.example.com"
AROUND = """
daemon off; pid {folder}/pid; error_log {folder}/error.log;
events {{ }}
http {{
  access_log off; default_type application/octet-stream;
  client_body_temp_path {folder}/body; proxy_temp_path {folder}/proxy; fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi; scgi_temp_path {folder}/scgi;
  {server}
}}
"""


@dataclass(frozen=True)
class Front:
    """An nginx in front of a site, and a client that trusts its certificate."""

    site: Any
    client: httpx.Client

    def call(self, method: str, path: str, **headers: str) -> httpx.Response:
        return self.client.request(method, path, headers=headers)


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def _certificate(folder: Path) -> None:
    """A self-signed one for the example's name."""
    made = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2"]
    named = ["-subj", f"/CN={NAME}", "-addext", f"subjectAltName=DNS:{NAME}"]
    files = ["-keyout", str(folder / "idlewhy.key"), "-out", str(folder / "idlewhy.pem")]
    subprocess.run([*made, *named, *files], check=True, capture_output=True)


class _Client(httpx.Client):
    """Calls the address it was given by the example's name."""

    def build_request(self, *arguments: Any, **options: Any) -> httpx.Request:
        return super().build_request(*arguments, **{**options, "extensions": {"sni_hostname": NAME}})


@pytest.fixture(scope="module", params=["tokens", "header"])
def front(request: Any, start: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Front]:
    folder = tmp_path_factory.mktemp("nginx")
    trust = {"trusted_header": "x-forwarded-user", "trusted_proxies": ("127.0.0.1",)}
    site = start(workers=0, hosts=(NAME,), tls=True, **(trust if request.param == "header" else {}))
    _certificate(folder)
    port = _free_port()
    text = EXAMPLE.read_text("utf-8")
    for old, new in {
        "listen 443": f"listen 127.0.0.1:{port}",
        "/etc/ssl/": f"{folder}/",
        "http://127.0.0.1:8765": site.address,
    }.items():
        assert old in text
        text = text.replace(old, new)
    (folder / "nginx.conf").write_text(AROUND.format(folder=folder, server=text))
    program = shutil.which("nginx") or "/usr/sbin/nginx"  # not on everybody's path
    command = [program, "-p", str(folder), "-e", f"{folder}/error.log", "-c", str(folder / "nginx.conf")]
    subprocess.run([*command, "-t", "-q"], check=True)
    context = ssl.create_default_context(cafile=str(folder / "idlewhy.pem"))
    with subprocess.Popen(command) as running:
        until = time.monotonic() + 10
        while time.monotonic() < until and not (folder / "pid").exists():
            time.sleep(0.05)
        address = f"https://127.0.0.1:{port}"
        with _Client(base_url=address, headers={"Host": NAME}, verify=context, timeout=30, trust_env=False) as client:
            yield Front(site, client)
        running.terminate()


@pytest.fixture(scope="module")
def token(front: Front) -> str:
    made: str = front.site.application.office.identity.new_token("workshop", {"read", "upload"})
    return f"Bearer {made}"


def test_who_has_a_token_is_let_in_and_no_header_of_a_browser_stands_for_one(front: Front, token: str) -> None:
    assert front.call("GET", "/health/live").status_code == 200
    assert front.call("GET", "/api/v1/vehicles", **{"X-Forwarded-User": "anna"}).status_code == 401
    assert front.call("GET", "/api/v1/vehicles", Authorization=token).status_code == 200
    answer = front.call("GET", "/", Accept="text/html")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/sign-in?next=/")
    assert "; Secure" in answer.headers["Set-Cookie"]
    assert front.client.get("/health/live", headers={"Host": "evil.example"}).status_code == 421


def test_a_hundred_megabytes_go_straight_through(front: Front, token: str) -> None:
    size = 100_000_000
    tus = {"Tus-Resumable": "1.0.0", "Authorization": token}
    path = front.call("POST", "/api/v1/uploads", **tus, **{"Upload-Length": str(size)}).headers["Location"]

    def pieces() -> Iterator[bytes]:
        for _ in range(100):
            yield b"\0" * 1_000_000

    bytes_ = {**tus, "Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"}
    sent = front.client.patch(path, content=pieces(), headers=bytes_)
    assert sent.status_code == 204, sent.text
    about = front.call("GET", path, Authorization=token).json()
    assert about["sha256"] == hashlib.sha256(bytes(size)).hexdigest()


def test_progress_arrives_while_the_stream_is_open(front: Front, token: str, logs: dict[str, Path]) -> None:
    own = {"Authorization": token}
    upload = front.site.upload(logs["monday"].read_bytes(), headers={**own, "Host": NAME})
    body = {"platform": "example-hatch", "uploads": [upload]}
    job = front.client.post("/api/v1/recordings", json=body, headers=own).json()["id"]
    with front.client.stream("GET", f"/recordings/{job}/events", headers=own) as stream:
        lines = stream.iter_lines()
        assert next(one for one in lines if one.startswith("event:")) == "event: state"
        assert front.client.post(f"/api/v1/recordings/{job}/cancel", headers=own).status_code == 200
        assert [one for one in lines if one.startswith("event:")][-1] == "event: over"
