"""`idlewhy serve` as a process on loopback that can be killed at any moment and started again on its store."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import httpx


class Server:
    """One server on one store. It keeps its port when it is started again, so that clients find it."""

    def __init__(self, store: Path, *options: str) -> None:
        self._command = [sys.executable, "-m", "idlewhy", "serve", "--store", str(store), *options]
        self._port = "0"
        self.address = ""
        self.kills = 0
        self._earlier_cpu_s = 0.0
        self.start()

    def start(self) -> None:
        """Start it and wait until it answers."""
        self._process = subprocess.Popen(
            [*self._command, "--port", self._port],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        assert self._process.stdout is not None
        self.address = self._process.stdout.readline().decode().split()[0].rstrip("/")
        self._port = self.address.rpartition(":")[2]
        until = time.monotonic() + 30
        while time.monotonic() < until:
            with suppress(httpx.TransportError):
                httpx.get(f"{self.address}/health/live", trust_env=False)
                return
            time.sleep(0.05)
        raise TimeoutError(self.address)

    def cpu_s(self) -> float:
        """Processor time of the server alone, with those that were killed [s]."""
        with suppress(OSError):
            words = Path(f"/proc/{self._process.pid}/stat").read_text().rpartition(")")[2].split()
            return self._earlier_cpu_s + (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")
        return self._earlier_cpu_s

    def kill(self) -> None:
        """kill -9 of the server, then of every process that it had started; none of them can clean up."""
        started = _descendants(self._process.pid)
        self._earlier_cpu_s = self.cpu_s()
        self._process.kill()
        for one in started:
            with suppress(ProcessLookupError):
                os.kill(one, signal.SIGKILL)
        self._process.wait(30)
        self._close()
        self.kills += 1

    def stop(self) -> None:
        """Tell it to end, in order."""
        self._process.terminate()
        self._process.wait(60)
        self._close()

    def memory_kb(self) -> int | None:
        """Resident memory of the server alone [kB]; None while it is being started again."""
        with suppress(OSError, IndexError):
            return int(Path(f"/proc/{self._process.pid}/status").read_text().partition("VmRSS:")[2].split()[0])
        return None

    def _close(self) -> None:
        assert self._process.stdout is not None
        self._process.stdout.close()


def _descendants(pid: int) -> list[int]:
    found: list[int] = []
    with suppress(OSError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            for child in map(int, (task / "children").read_text().split()):
                found += [child, *_descendants(child)]
    return found
