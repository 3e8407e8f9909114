"""Many people at once: some upload logs and wait for answers, some read pages; errors, times and memory are counted.

    python -m benchmarks.web_load --seconds 60 --uploading 50 --reading 200
    python -m benchmarks.web_load --seconds 300 --kill-every 20 --max-queue 60

Starts `idlewhy serve` on loopback with a store of its own. Counts as an error: any answer but 2xx, 3xx and "503 busy",
and any connection that fails. Memory is the server's own; analyses run in processes of their own.

--kill-every: kill -9 of the server and of all its children, again and again, and a start on the same store. Connections
that this cuts are counted apart; senders ask how much has arrived and go on. Whatever happens, at the end every upload
whose last piece was acknowledged must be there with the hash of what was sent, and every recording that was accepted
must have its report or say why it has none.
"""

from __future__ import annotations

import argparse
import asyncio
import hashlib
import os
import random
import tempfile
import time
from collections import Counter
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from benchmarks.web_server import Server
from idlewhy.demo import make_logs

TUS = {"Tus-Resumable": "1.0.0"}
BYTES = {**TUS, "Content-Type": "application/offset+octet-stream"}
PIECE = 1 << 18
DRAIN_S = 1800.0


@dataclass
class Count:
    """What happened. page_s: times of pages [s]; memory [kB] of the server, once a second.

    accepted: address of each upload whose last piece was acknowledged, and the hash of what was sent. recordings: ids
    of those that were accepted. cut: connections that ended because the server was killed.
    """

    page_s: list[float] = field(default_factory=list)
    accepted: dict[str, str] = field(default_factory=dict)
    recordings: list[str] = field(default_factory=list)
    busy: int = 0
    cut: int = 0
    errors: list[str] = field(default_factory=list)
    memory_kb: list[int] = field(default_factory=list)


class Person:
    """Somebody with one connection who asks for one thing after another."""

    def __init__(self, client: httpx.AsyncClient, count: Count, wanted: argparse.Namespace) -> None:
        self.client, self.count = client, count
        self.until: float = time.monotonic() + wanted.seconds
        self._pause_s: float = wanted.pause
        self._may_be_cut: bool = wanted.kill_every > 0

    @property
    def stays(self) -> bool:
        """Its time is not up."""
        return time.monotonic() < self.until

    async def ask(self, method: str, path: str, **options: object) -> httpx.Response | None:
        """The answer; None if there was none."""
        try:
            answer = await self.client.request(method, path, **options)  # type: ignore[arg-type]  # passed on as they are
        except httpx.TransportError as error:
            if self._may_be_cut:
                self.count.cut += 1
                await asyncio.sleep(0.5)
            else:
                self.count.errors.append(f"{method} {path}: {type(error).__name__}")
            return None
        if answer.status_code == 503:
            self.count.busy += 1
        elif answer.status_code >= 400 and not (self._may_be_cut and answer.status_code in {409, 423}):
            self.count.errors.append(f"{method} {path}: {answer.status_code} {answer.text[:80]}")
        return answer

    async def read(self) -> None:
        """Look at one page after another."""
        pages = ["/", "/vehicles", "/platforms", "/fleet"]
        await asyncio.sleep(random.random() * self._pause_s)
        while self.stays:
            began = time.monotonic()
            if await self.ask("GET", random.choice(pages), headers={"Accept": "text/html"}):
                self.count.page_s.append(time.monotonic() - began)
            await asyncio.sleep(random.random() * 2 * self._pause_s)

    async def upload(self, log: bytes, name: str) -> None:
        """Upload logs that differ, in pieces, and make a recording of each."""
        number = 0
        while self.stays:
            number += 1
            data = log + f"# {name} {number}\n".encode()
            made = await self.ask("POST", "/api/v1/uploads", headers={**TUS, "Upload-Length": str(len(data))})
            if made is None or made.status_code != 201:
                continue
            place = made.headers["Location"]
            if await self._send(place, data):
                await self._record(place, name)

    async def _send(self, place: str, data: bytes) -> bool:
        """Send it in pieces; after a cut, go on where the server says. True once the last piece is acknowledged."""
        at = 0
        while at < len(data) and self.stays:
            headers = {**BYTES, "Upload-Offset": str(at)}
            answer = await self.ask("PATCH", place, headers=headers, content=data[at : at + PIECE])
            if answer is not None and answer.is_success:
                at = int(answer.headers["Upload-Offset"])
            else:
                head = await self.ask("HEAD", place, headers=TUS)
                if head is not None and head.is_success:
                    there = int(head.headers["Upload-Offset"])
                    if there < at:
                        self.count.errors.append(f"{place}: {at} bytes were acknowledged, {there} are there")
                    at = there
            await asyncio.sleep(random.random())
        if at == len(data):
            self.count.accepted[place] = hashlib.sha256(data).hexdigest()
        return at == len(data)

    async def _record(self, place: str, name: str) -> None:
        """Make a recording of an upload; wait while the queue is full."""
        body = {"vehicle": name, "platform": "example-hatch", "uploads": [place.rpartition("/")[2]]}
        while self.stays:
            answer = await self.ask("POST", "/api/v1/recordings", json=body)
            if answer is not None and answer.status_code != 503:
                if answer.is_success:
                    self.count.recordings.append(answer.json()["id"])
                return
            await asyncio.sleep(5)


async def watch(server: Server, count: Count, until: float) -> None:
    """The server's resident memory, once a second."""
    while time.monotonic() < until:
        memory = server.memory_kb()
        if memory is not None:
            count.memory_kb.append(memory)
        await asyncio.sleep(1)


async def kill_again_and_again(server: Server, every_s: float, until: float) -> None:
    """Kill the server every so many seconds, give or take a half, and start it on what it left behind."""
    while every_s and (pause := every_s * random.uniform(0.5, 1.5)) < until - time.monotonic():
        await asyncio.sleep(pause)
        await asyncio.to_thread(server.kill)
        await asyncio.to_thread(server.start)


async def run(server: Server, wanted: argparse.Namespace, log: bytes) -> Count:
    """All of them at once."""
    count = Count()
    until = time.monotonic() + wanted.seconds
    async with AsyncExitStack() as stack:

        async def own() -> Person:
            """A person with one connection and one set of cookies."""
            client = httpx.AsyncClient(base_url=server.address, timeout=60, verify=False, trust_env=False)
            return Person(await stack.enter_async_context(client), count, wanted)

        people = [(await own()).upload(log, f"car-{one}") for one in range(wanted.uploading)]
        people += [(await own()).read() for _ in range(wanted.reading)]
        await asyncio.gather(
            watch(server, count, until), kill_again_and_again(server, wanted.kill_every, until), *people
        )
    return count


def lost(server: Server, count: Count) -> list[str]:
    """Wait until the queue is worked off; what was accepted and is not there, one sentence each."""
    found: list[str] = []
    states: Counter[str] = Counter()
    with httpx.Client(base_url=server.address, timeout=60, trust_env=False) as client:
        for place, sha256 in count.accepted.items():
            upload = client.get(place).json()
            if (upload.get("state"), upload.get("sha256")) != ("complete", sha256):
                found.append(f"upload {place}: {upload}")
        until = time.monotonic() + DRAIN_S
        for one in count.recordings:
            while (job := client.get(f"/api/v1/recordings/{one}").json()).get("state") in {"queued", "running"}:
                if time.monotonic() > until:
                    break
                time.sleep(1)
            state = job.get("state", "gone")
            has_answer = state == "done" and client.get(f"/api/v1/recordings/{one}/report").is_success
            has_reason = state == "failed" and job["fault"]["what"]
            states[job["fault"]["what"] if has_reason else state] += 1
            if not has_answer and not has_reason:
                found.append(f"recording {one}: {state}")
    print(f"accepted: {len(count.accepted)} uploads, {len(count.recordings)} recordings; these ended so:")
    for state, number in states.most_common():
        print(f"  {number} {state}")
    return found


def quantile(values: list[float], share: float) -> float:
    """The value below which that share of the values lies."""
    ordered = sorted(values)
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)]


def tell(count: Count) -> None:
    """Print what was counted under load."""
    shares = ", ".join(f"p{100 * one:.0f} {1000 * quantile(count.page_s, one):.0f} ms" for one in (0.5, 0.95, 0.99))
    print(f"{len(count.page_s)} pages, {shares}")
    print(f"{len(count.accepted)} logs uploaded, {count.busy} times busy, {count.cut} connections cut")
    third = max(len(count.memory_kb) // 3, 1)
    print(f"server memory: {max(count.memory_kb[:third]) // 1024} MB in the first third, ", end="")
    print(f"{max(count.memory_kb[-third:]) // 1024} MB in the last")
    print(f"{len(count.errors)} errors")
    for one in sorted(set(count.errors))[:10]:
        print(f"  {one}")


def analysed(server: Server) -> str:
    """How many recordings are done."""
    metrics = httpx.get(f"{server.address}/metrics", timeout=30, trust_env=False).text
    lines = [one for one in metrics.splitlines() if one.startswith('idlewhy_jobs_in_state{state="done"}')]
    return lines[0].rpartition(" ")[2] if lines else "0"


def main() -> None:
    """Parse, start the server, run, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--uploading", type=int, default=50)
    parser.add_argument("--reading", type=int, default=200)
    parser.add_argument("--pause", type=float, default=4.0, help="mean time between two pages of one reader [s]")
    parser.add_argument("--kill-every", type=float, default=0.0, help="kill -9 about every so many seconds; 0: never")
    parser.add_argument("--max-queue", type=int, default=500, help="recordings that may wait")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        make_logs(Path(folder), only=("hatch-01",))
        log = b"".join((Path(folder) / "hatch-01.log").read_bytes().splitlines(keepends=True)[-9000:])
        server = Server(Path(folder) / "store", "--max-queue", str(wanted.max_queue))
        try:
            time.sleep(2)
            count = asyncio.run(run(server, wanted, log))
            tell(count)
            print(f"{analysed(server)} analysed by then, {server.kills} kills")
            load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
            print(
                f"server: {server.cpu_s():.0f} s of processor time; load of the machine {load} ({os.cpu_count()} cores)"
            )
            if wanted.kill_every:
                missing = lost(server, count)
                print(f"{len(missing)} accepted and lost", *missing[:10], sep="\n  ")
        finally:
            server.stop()


if __name__ == "__main__":
    main()
