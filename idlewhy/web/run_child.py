"""The server's side of the confined process: start it, follow what it says, stop it when time is up."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from idlewhy.web.logs import warn
from idlewhy.web.settings import MIB, Settings

_LINE_BYTES = 16 * MIB
_PASSED_ON = ("PATH", "LANG", "LC_ALL", "PYTHONPATH", "LD_LIBRARY_PATH", "IDLEWHY_PLATFORMS", "IDLEWHY_WEB_DEBUG", "TZ")


@dataclass(frozen=True, slots=True)
class Fault:
    """Why there is no result. kind: log, definition, usage, limit, cancelled or defect."""

    kind: str
    what: str
    mend: str = ""
    place: str = ""


@dataclass(slots=True)
class Outcome:
    """How a child ended: with a result or with a fault."""

    result: dict[str, Any] | None = None
    fault: Fault | None = None


async def run_child(
    task: dict[str, Any],
    work: Path,
    settings: Settings,
    *,
    on_progress: Callable[[dict[str, Any]], None] | None = None,
    wall_s: float | None = None,
) -> Outcome:
    """Run one task in a confined process. If this coroutine is cancelled, the process is killed at once."""
    seconds = settings.child_wall_s if wall_s is None else wall_s
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "idlewhy.web.child",
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        limit=_LINE_BYTES,
        env=_environment(work),
        cwd=work,
        start_new_session=True,
    )
    full = {
        **task,
        "work": str(work),
        "memory_bytes": settings.child_memory_bytes,
        "cpu_s": settings.child_cpu_s,
        "file_bytes": settings.child_file_bytes,
    }
    outcome = Outcome()
    try:
        async with asyncio.timeout(seconds):
            await _converse(process, full, outcome, on_progress)
    except TimeoutError:
        outcome.result = None
        outcome.fault = Fault("limit", f"It took longer than {seconds:.0f} s and was stopped.", "Upload shorter logs.")
    finally:
        if process.returncode is None:
            with suppress(ProcessLookupError):
                process.kill()
        await asyncio.shield(process.wait())
    if outcome.result is None and outcome.fault is None:
        outcome.fault = _ended(process.returncode or 0)
    return outcome


async def _converse(
    process: asyncio.subprocess.Process,
    task: dict[str, Any],
    outcome: Outcome,
    on_progress: Callable[[dict[str, Any]], None] | None,
) -> None:
    assert process.stdin is not None
    assert process.stdout is not None
    errors = asyncio.create_task(_drain(process))
    with suppress(BrokenPipeError, ConnectionResetError):
        process.stdin.write(json.dumps(task).encode())
        await process.stdin.drain()
        process.stdin.close()
    try:
        while line := await process.stdout.readline():
            _take(json.loads(line), outcome, on_progress)
    except ValueError:
        outcome.fault = Fault(
            "defect", "The analysis answered in a way that cannot be understood.", "Please report this."
        )
    tail = await errors
    await process.wait()
    if outcome.result is None and outcome.fault is None and tail:
        warn("child ended without an answer", code=process.returncode, stderr=tail[-2000:].decode("utf-8", "replace"))


async def _drain(process: asyncio.subprocess.Process) -> bytes:
    """Read what the child writes to stderr, so that it never blocks; keeps the end."""
    assert process.stderr is not None
    tail = b""
    while piece := await process.stderr.read(65_536):
        tail = (tail + piece)[-8192:]
    return tail


def _take(line: Any, outcome: Outcome, on_progress: Callable[[dict[str, Any]], None] | None) -> None:
    if not isinstance(line, dict):
        raise ValueError(line)  # noqa: TRY004  # like any other line that is not as agreed
    if "progress" in line and on_progress is not None:
        on_progress(line["progress"])
    elif "result" in line:
        outcome.result = line["result"]
    elif "fault" in line:
        outcome.fault = Fault(**{str(key): str(value) for key, value in line["fault"].items()})


def _ended(code: int) -> Fault:
    if code in {-9, -24, -6, -11, -7, -25, 137, 152}:
        return Fault(
            "limit",
            "The analysis was stopped by its limit of memory or time.",
            "Upload shorter logs, or have the limits raised by whoever runs this server.",
        )
    return Fault("defect", f"The analysis ended without an answer (code {code}).", "Please report this.")


def _environment(work: Path) -> dict[str, str]:
    """Little of the server's own surroundings, and no secret."""
    passed = {name: os.environ[name] for name in _PASSED_ON if name in os.environ}
    return {
        **passed,
        "HOME": str(work),
        "TMPDIR": str(work),
        "IDLEWHY_CACHE": "off",
        "IDLEWHY_PARENT": str(os.getpid()),
        "OPENBLAS_NUM_THREADS": "1",
        "OMP_NUM_THREADS": "1",
        "PYTHONDONTWRITEBYTECODE": "1",
        "MALLOC_ARENA_MAX": "2",
    }
