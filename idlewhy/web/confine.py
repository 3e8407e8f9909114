"""Limits that a process lays on itself before it reads a hostile file: memory, time, files, no network.

What the kernel offers is used: resource limits always; a network namespace of its own (`unshare`) and Landlock where
they are allowed; and in every case an audit hook, under which Python refuses sockets and other programs. The hook alone
would not hold a process whose memory a faulty library has let be overwritten; the other three would.
"""

from __future__ import annotations

import ctypes
import os
import platform
import resource
import signal
import struct
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

_PR_SET_PDEATHSIG = 1
_PR_SET_NO_NEW_PRIVS = 38
_PR_SET_DUMPABLE = 4
_NEW_USER = 0x10000000
_NEW_NET = 0x40000000

# Linux, include/uapi/linux/landlock.h; the numbers of the calls are the same on all architectures since 5.13.
_CREATE_RULESET, _ADD_RULE, _RESTRICT_SELF = 444, 445, 446
_EXECUTE, _WRITE_FILE, _READ_FILE, _READ_DIR = 1 << 0, 1 << 1, 1 << 2, 1 << 3
_ALL_BY_ABI = {1: (1 << 13) - 1, 2: (1 << 14) - 1, 3: (1 << 15) - 1, 4: (1 << 15) - 1}
_ALL_SINCE_5 = (1 << 16) - 1
_FILE_RIGHTS = _EXECUTE | _WRITE_FILE | _READ_FILE | (1 << 14) | (1 << 15)
_NET = 0b11

_REFUSED = ("socket.", "subprocess.", "os.exec", "os.fork", "os.posix_spawn", "os.spawn", "os.system", "pty.spawn")


def _libc() -> Any:
    return ctypes.CDLL(None, use_errno=True)


def die_with_parent() -> None:
    """Be killed when the server that started this process ends, however it ends."""
    if sys.platform != "linux":
        return
    _libc().prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if str(os.getppid()) != os.environ.get("IDLEWHY_PARENT"):
        os._exit(0)  # it ended before the line above


def limit(memory_bytes: int, cpu_s: int, file_bytes: int) -> None:
    """Address space, processor time, size of a written file, open files, no core dump."""
    for what, soft in (
        (resource.RLIMIT_AS, memory_bytes),
        (resource.RLIMIT_CPU, cpu_s),
        (resource.RLIMIT_FSIZE, file_bytes),
        (resource.RLIMIT_NOFILE, 128),
        (resource.RLIMIT_CORE, 0),
    ):
        _, hard = resource.getrlimit(what)
        bound = soft if hard == resource.RLIM_INFINITY else min(soft, hard)
        resource.setrlimit(what, (bound, bound))


def leave_network() -> bool:
    """Move into a network namespace that has no way out. False where the kernel does not allow it."""
    if sys.platform != "linux":
        return False
    libc = _libc()
    return bool(libc.unshare(_NEW_NET) == 0 or libc.unshare(_NEW_USER | _NEW_NET) == 0)


def keep_to(reads: Iterable[Path], writes: Iterable[Path]) -> bool:
    """Landlock: read only below `reads`, write only below `writes`, no TCP. False where the kernel has none."""
    if sys.platform != "linux" or platform.machine() not in {"x86_64", "aarch64", "riscv64"}:
        return False
    libc = _libc()
    abi = libc.syscall(_CREATE_RULESET, None, ctypes.c_size_t(0), 1)
    if abi < 1:
        return False
    rights = _ALL_BY_ABI.get(abi, _ALL_SINCE_5)
    rules = struct.pack("QQ", rights, _NET) if abi >= 4 else struct.pack("Q", rights)
    ruleset = libc.syscall(_CREATE_RULESET, rules, ctypes.c_size_t(len(rules)), 0)
    if ruleset < 0:
        return False
    for path in reads:
        _allow(libc, ruleset, path, (_EXECUTE | _READ_FILE | _READ_DIR) & rights)
    for path in writes:
        _allow(libc, ruleset, path, rights & ~_EXECUTE)
    libc.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
    held = libc.syscall(_RESTRICT_SELF, ruleset, 0) == 0
    os.close(ruleset)
    return bool(held)


def _allow(libc: Any, ruleset: int, path: Path, rights: int) -> None:
    try:
        handle = os.open(path, os.O_PATH | os.O_CLOEXEC)
    except OSError:
        return
    try:
        if not path.is_dir():
            rights &= _FILE_RIGHTS
        rule = struct.pack("=Qi", rights, handle)
        libc.syscall(_ADD_RULE, ruleset, 1, rule, 0)
    finally:
        os.close(handle)


def library_places() -> list[Path]:
    """Where the interpreter, its libraries and the system's tables lie: what a process needs to read to run at all."""
    named = [Path(one) for one in (*sys.path, sys.prefix, sys.base_prefix, sys.exec_prefix) if one]
    system = [Path(one) for one in ("/usr", "/lib", "/lib64", "/etc", "/proc", "/sys", "/dev", "/opt")]
    home = Path(__file__).resolve().parents[2]
    stages = [home / name for name in _STAGES]
    return [*(one for one in named if one.is_absolute() and one != home), *system, *stages]


_STAGES = ("signal_defs", "decoder", "estimator", "idle_stop", "fleet", "reports", "idlewhy")


def refuse_in_python() -> None:
    """From here on Python refuses sockets and other programs in this process."""
    sys.addaudithook(_hook)


def _hook(event: str, _arguments: tuple[Any, ...]) -> None:
    if event.startswith(_REFUSED) and not event.startswith("socket.gethostname"):
        raise PermissionError(f"Not allowed while a log is read: {event}.")


def confine(
    reads: Sequence[Path], writes: Sequence[Path], *, memory_bytes: int, cpu_s: int, file_bytes: int
) -> dict[str, bool]:
    """Lay all limits on this process; says which of those that depend on the kernel hold."""
    os.nice(5)
    limit(memory_bytes, cpu_s, file_bytes)
    if sys.platform == "linux":
        _libc().prctl(_PR_SET_DUMPABLE, 0, 0, 0, 0)
    held = {"network_namespace": leave_network(), "landlock": keep_to([*library_places(), *reads], writes)}
    refuse_in_python()
    return held
