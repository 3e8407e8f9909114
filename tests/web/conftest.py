"""A server of our own for each module, real logs of the demo, and clients of every kind."""

from __future__ import annotations

import asyncio
import base64
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn

from idlewhy.demo import make_logs
from idlewhy.web.app import Application
from idlewhy.web.server import make_server
from idlewhy.web.settings import Settings

TUS = {"Tus-Resumable": "1.0.0"}
OVER = {"done", "failed", "cancelled"}


@pytest.fixture(scope="session")
def logs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Two small logs of a hatchback's sensor line: the drive in the morning, with the minutes parked before it."""
    whole = tmp_path_factory.mktemp("whole")
    make_logs(whole, only=("hatch-01",))
    lines = (whole / "hatch-01.log").read_bytes().splitlines(keepends=True)
    folder = tmp_path_factory.mktemp("logs")
    first, second = folder / "monday.log", folder / "tuesday.log"
    first.write_bytes(b"".join(lines[-9_000:]))
    second.write_bytes(b"".join(lines[-8_000:]))
    return {"monday": first, "tuesday": second}


@dataclass
class Site:
    """A running server and a client that calls it."""

    application: Application
    address: str
    client: httpx.Client
    settings: Settings
    _server: uvicorn.Server = field(repr=False, default=None)  # type: ignore[assignment]

    def call(self, method: str, path: str, **options: Any) -> httpx.Response:
        """A call of a program, without cookies."""
        return httpx.request(method, f"{self.address}{path}", timeout=30.0, **options)

    def upload(self, data: bytes, name: str = "a.log", headers: dict[str, str] | None = None) -> str:
        """Upload in one piece; the upload's id."""
        return upload(self.address, data, name, headers)

    def record(self, *uploads: str, vehicle: str = "hatch", platform: str = "example-hatch") -> dict[str, Any]:
        body = {"vehicle": vehicle, "platform": platform, "uploads": list(uploads)}
        answer = self.call("POST", "/api/v1/recordings", json=body)
        assert answer.status_code == 202, answer.text
        made: dict[str, Any] = answer.json()
        return made

    def finished(self, job: str, kind: str = "recordings", seconds: float = 30.0) -> dict[str, Any]:
        """The job once it is over."""
        return finished(self.address, job, kind, seconds)


def upload(address: str, data: bytes, name: str = "a.log", headers: dict[str, str] | None = None) -> str:
    named = base64.b64encode(name.encode()).decode()
    more = {**TUS, **(headers or {})}
    made = httpx.post(
        f"{address}/api/v1/uploads",
        headers={**more, "Upload-Length": str(len(data)), "Upload-Metadata": f"filename {named}"},
    )
    assert made.status_code == 201, made.text
    sent = httpx.patch(
        address + made.headers["Location"],
        content=data,
        headers={**more, "Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"},
        timeout=30.0,
    )
    assert sent.status_code == 204, sent.text
    return made.headers["Location"].rpartition("/")[2]


def finished(address: str, job: str, kind: str = "recordings", seconds: float = 30.0) -> dict[str, Any]:
    until = time.monotonic() + seconds
    answer: dict[str, Any] = {}
    while time.monotonic() < until:
        answer = httpx.get(f"{address}/api/v1/{kind}/{job}").json()
        if answer["state"] in OVER:
            return answer
        time.sleep(0.15)
    raise AssertionError(answer)


Start = Callable[..., Site]


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Start]:
    """Starts servers in threads of this process; they stop at the module's end."""
    running: list[tuple[uvicorn.Server, threading.Thread, httpx.Client]] = []

    def run(**options: Any) -> Site:
        settings = Settings(**{"folder": tmp_path_factory.mktemp("store"), "workers": 1, **options})
        application = Application(settings)
        bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        bound.bind(("127.0.0.1", 0))
        address = f"http://127.0.0.1:{bound.getsockname()[1]}"
        config = uvicorn.Config(application, log_config=None, timeout_graceful_shutdown=3, server_header=False)
        server = make_server(config, application)
        thread = threading.Thread(target=_serve, args=(server, bound), daemon=True)
        thread.start()
        until = time.monotonic() + 15
        while not server.started and time.monotonic() < until:
            time.sleep(0.02)
        client = httpx.Client(base_url=address, timeout=30.0)
        running.append((server, thread, client))
        return Site(application, address, client, settings, server)

    yield run
    for server, thread, client in running:
        client.close()
        server.should_exit = True
        thread.join(15)
        assert not thread.is_alive()


def _serve(server: uvicorn.Server, bound: socket.socket) -> None:
    try:
        asyncio.run(server.serve(sockets=[bound]))
    finally:
        bound.close()


@pytest.fixture(scope="module")
def site(start: Start) -> Site:
    """A server on loopback that asks nobody to sign in."""
    return start()


@pytest.fixture(scope="module")
def done(site: Site, logs: dict[str, Path]) -> dict[str, Any]:
    """A recording that was analysed."""
    job = site.record(site.upload(logs["monday"].read_bytes(), "monday.log"))
    made = site.finished(job["id"])
    assert made["state"] == "done", made["fault"]
    return made


class Process:
    """`idlewhy serve` as a process of its own, which can be killed."""

    def __init__(self, store: Path, *options: str) -> None:
        self._running = subprocess.Popen(
            [sys.executable, "-m", "idlewhy", "serve", "--store", str(store), "--port", "0", *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        assert self._running.stdout is not None
        line = self._running.stdout.readline().decode()
        self.address = line.split()[0].rstrip("/")
        until = time.monotonic() + 20
        while time.monotonic() < until:
            try:
                httpx.get(f"{self.address}/health/live")
            except httpx.TransportError:
                time.sleep(0.05)
            else:
                break

    def children(self) -> list[int]:
        """Processes that it has started."""
        found = Path(f"/proc/{self._running.pid}/task/{self._running.pid}/children").read_text().split()
        return [int(one) for one in found]

    def kill(self) -> None:
        self._running.kill()
        self._end()

    def stop(self) -> int:
        self._running.send_signal(signal.SIGTERM)
        return self._end()

    def _end(self) -> int:
        code = self._running.wait(30)
        assert self._running.stdout is not None
        self._running.stdout.close()
        return code


@pytest.fixture
def process() -> Iterator[Callable[..., Process]]:
    """Starts server processes; whatever still runs at the end is killed."""
    made: list[Process] = []

    def run(store: Path, *options: str) -> Process:
        made.append(Process(store, *options))
        return made[-1]

    yield run
    for one in made:
        if one._running.poll() is None:
            one.kill()


@dataclass(frozen=True)
class Tools:
    """What a program does with the API."""

    upload: Callable[..., str] = upload
    finished: Callable[..., dict[str, Any]] = finished


@pytest.fixture(scope="session")
def tools() -> Tools:
    return Tools()
