"""What the person who starts the server chooses: where it keeps things, whom it lets in, how much it takes."""

from __future__ import annotations

import ipaddress
import os
from dataclasses import dataclass, field
from pathlib import Path

GIB = 1 << 30
MIB = 1 << 20
DAY_S = 86_400.0


def default_workers() -> int:
    """Analyses at once: half the processors, one at least, so that pages stay quick."""
    return max(1, (os.cpu_count() or 1) // 2)


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of one server.

    folder: the store; made if it is not there. hosts: names by which browsers may call the server, beside loopback's
    and the one it listens on. tls: it is reached by https, here or at a proxy, so cookies are marked for it.
    workers: analyses at once in this process; 0 for a process that only serves pages.
    max_upload_bytes: of one log. max_definition_bytes: of one platform with all its databases. max_queue: recordings
    that may wait. max_files: logs in one recording. keep_free_bytes: uploads are refused when less is left on disk.
    idle_s: a sender that is silent longer loses its connection, not its upload.
    child_*: limits of the process that reads a log: address space [bytes], processor time [s], time [s], and the
    largest file it may write [bytes].
    retain_s, retain_bytes: recordings older than that, or the oldest beyond that size of logs, are deleted; None: none.
    trusted_header: name of the header in which a proxy at one of trusted_proxies tells who calls; empty: none heeded.
    proxy_scopes: what such callers may do; proxy_admins: names among them that may do everything.
    reads_per_s, writes_per_s: requests of one caller, averaged over two seconds.
    """

    folder: Path
    host: str = "127.0.0.1"
    port: int = 8765
    hosts: tuple[str, ...] = ()
    tls: bool = False
    workers: int = field(default_factory=default_workers)
    max_upload_bytes: int = 32 * GIB
    max_definition_bytes: int = 48 * MIB
    max_queue: int = 500
    max_files: int = 1000
    keep_free_bytes: int = GIB
    idle_s: float = 30.0
    child_memory_bytes: int = 6 * GIB
    child_cpu_s: int = 3600
    child_wall_s: float = 7200.0
    child_file_bytes: int = 2 * GIB
    retain_s: float | None = None
    retain_bytes: int | None = None
    trusted_header: str = ""
    trusted_proxies: tuple[str, ...] = ()
    proxy_scopes: frozenset[str] = frozenset({"read", "upload"})
    proxy_admins: frozenset[str] = frozenset()
    reads_per_s: float = 500.0
    writes_per_s: float = 200.0

    @property
    def is_loopback(self) -> bool:
        """It can be reached from this machine only."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False
