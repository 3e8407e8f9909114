"""Many people at once: some upload logs and wait for answers, some read pages; errors, times and memory are counted.

    python -m benchmarks.web_load --seconds 60 --uploading 50 --reading 200

Starts `idlewhy serve` on loopback with a store of its own. Counts as an error: any answer but 2xx, 3xx and "503 busy",
and any connection that fails. Memory is the server's own; analyses run in processes of their own.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import subprocess
import sys
import tempfile
import time
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from idlewhy.demo import make_logs

TUS = {"Tus-Resumable": "1.0.0"}


@dataclass
class Count:
    """What happened. page_s, event times of pages [s]; memory [kB] of the server, once a second."""

    page_s: list[float] = field(default_factory=list)
    uploads: int = 0
    busy: int = 0
    errors: list[str] = field(default_factory=list)
    memory_kb: list[int] = field(default_factory=list)


async def read(client: httpx.AsyncClient, count: Count, until: float, pause_s: float) -> None:
    """One person who looks at one page after another."""
    pages = ["/", "/vehicles", "/platforms", "/fleet"]
    await asyncio.sleep(random.random() * pause_s)
    while time.monotonic() < until:
        began = time.monotonic()
        await _tried(client, count, "GET", random.choice(pages), headers={"Accept": "text/html"})
        count.page_s.append(time.monotonic() - began)
        await asyncio.sleep(random.random() * 2 * pause_s)


async def upload(client: httpx.AsyncClient, count: Count, until: float, log: bytes, name: str) -> None:
    """One person who uploads logs that differ, in pieces, and makes a recording of each."""
    number = 0
    while time.monotonic() < until:
        number += 1
        data = log + f"# {name} {number}\n".encode()
        length = {"Upload-Length": str(len(data))}
        made = await _tried(client, count, "POST", "/api/v1/uploads", headers={**TUS, **length})
        if made is None or made.status_code != 201:
            continue
        place = made.headers["Location"]
        for at in range(0, len(data), 1 << 18):
            headers = {**TUS, "Upload-Offset": str(at), "Content-Type": "application/offset+octet-stream"}
            await _tried(client, count, "PATCH", place, headers=headers, content=data[at : at + (1 << 18)])
            await asyncio.sleep(random.random())
        body = {"vehicle": name, "platform": "example-hatch", "uploads": [place.rpartition("/")[2]]}
        while time.monotonic() < until:
            answer = await _tried(client, count, "POST", "/api/v1/recordings", json=body)
            if answer is None or answer.status_code != 503:
                break
            await asyncio.sleep(5)
        count.uploads += 1


async def _tried(
    client: httpx.AsyncClient, count: Count, method: str, path: str, **options: object
) -> httpx.Response | None:
    try:
        answer = await client.request(method, path, **options)  # type: ignore[arg-type]  # passed on as they are
    except httpx.HTTPError as error:
        count.errors.append(f"{method} {path.partition('?')[0]}: {type(error).__name__}")
        return None
    if answer.status_code == 503:
        count.busy += 1
    elif answer.status_code >= 400:
        count.errors.append(f"{method} {path}: {answer.status_code} {answer.text[:80]}")
    return answer


async def watch(process: subprocess.Popen[bytes], count: Count, until: float) -> None:
    """The server's resident memory, once a second."""
    status = Path(f"/proc/{process.pid}/status")
    while time.monotonic() < until:
        text = await asyncio.to_thread(status.read_text)
        count.memory_kb.append(int(text.partition("VmRSS:")[2].split()[0]))
        await asyncio.sleep(1)


async def run(address: str, process: subprocess.Popen[bytes], wanted: argparse.Namespace, log: bytes) -> Count:
    """All of them at once."""
    count = Count()
    until = time.monotonic() + wanted.seconds
    async with AsyncExitStack() as stack:

        async def own() -> httpx.AsyncClient:
            """A client of one person: one connection, one set of cookies."""
            client = httpx.AsyncClient(base_url=address, timeout=60, verify=False, trust_env=False)
            return await stack.enter_async_context(client)

        people = [upload(await own(), count, until, log, f"car-{one}") for one in range(wanted.uploading)]
        people += [read(await own(), count, until, wanted.pause) for _ in range(wanted.reading)]
        await asyncio.gather(watch(process, count, until), *people)
    return count


def quantile(values: list[float], share: float) -> float:
    """The value below which that share of the values lies."""
    ordered = sorted(values)
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)]


def main() -> None:
    """Parse, start the server, run, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--uploading", type=int, default=50)
    parser.add_argument("--reading", type=int, default=200)
    parser.add_argument("--pause", type=float, default=4.0, help="mean time between two pages of one reader [s]")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        make_logs(Path(folder), only=("hatch-01",))
        log = b"".join((Path(folder) / "hatch-01.log").read_bytes().splitlines(keepends=True)[-9000:])
        command = [sys.executable, "-m", "idlewhy", "serve", "--port", "0", "--store", f"{folder}/store"]
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env={**os.environ, "PYTHONUNBUFFERED": "1"}
        ) as process:
            assert process.stdout is not None
            address = process.stdout.readline().decode().split()[0]
            time.sleep(2)
            try:
                count = asyncio.run(run(address, process, wanted, log))
                states = httpx.get(f"{address}metrics", timeout=30).text
            finally:
                process.terminate()
    ended = next((line for line in states.splitlines() if line.startswith('idlewhy_jobs_in_state{state="done"}')), "")
    print(f"{len(count.page_s)} pages, p50 {1000 * quantile(count.page_s, 0.5):.0f} ms, ", end="")
    print(f"p95 {1000 * quantile(count.page_s, 0.95):.0f} ms, p99 {1000 * quantile(count.page_s, 0.99):.0f} ms")
    print(f"{count.uploads} recordings uploaded, {ended.rpartition(' ')[2] or '0'} analysed, {count.busy} times busy")
    third = max(len(count.memory_kb) // 3, 1)
    print(f"server memory: {max(count.memory_kb[:third]) // 1024} MB in the first third, ", end="")
    print(f"{max(count.memory_kb[-third:]) // 1024} MB in the last")
    print(f"{len(count.errors)} errors")
    for one in sorted(set(count.errors))[:10]:
        print(f"  {one}")


if __name__ == "__main__":
    main()
