"""What the process that reads a log cannot do."""

from __future__ import annotations

import asyncio
import gzip
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from idlewhy.web.run_child import Outcome, run_child
from idlewhy.web.settings import Settings

pytestmark = pytest.mark.fault

_TRY = """
import socket, subprocess, os, sys
from pathlib import Path
from idlewhy.web.confine import confine
held = confine([], [Path(sys.argv[1])], memory_bytes=2 << 30, cpu_s=10, file_bytes=1 << 20)
def tried(act):
    try:
        act()
    except (OSError, MemoryError) as error:
        return type(error).__name__
    return "done"
print(held)
print("socket", tried(lambda: socket.socket()))
print("program", tried(lambda: subprocess.run(["true"])))
print("write outside", tried(lambda: Path(sys.argv[2]).write_text("x")))
print("read outside", tried(lambda: Path(sys.argv[3]).read_text()))
print("write inside", tried(lambda: (Path(sys.argv[1]) / "a").write_text("x")))
print("memory", tried(lambda: bytearray(3 << 30)))
"""


def test_a_confined_process_has_no_network_no_programs_and_its_own_folder_only(tmp_path: Path) -> None:
    work, secret = tmp_path / "work", tmp_path / "secret"
    work.mkdir()
    secret.write_text("x")
    ended = subprocess.run(
        [sys.executable, "-c", _TRY, str(work), str(tmp_path / "new"), str(secret)],
        capture_output=True,
        text=True,
        check=True,
        timeout=30,
    )
    lines = ended.stdout.splitlines()
    assert "socket PermissionError" in lines
    assert "program PermissionError" in lines
    assert "write inside done" in lines
    assert "memory MemoryError" in lines
    if "'landlock': True" in lines[0]:  # as far as the kernel goes; the README says so
        assert "write outside PermissionError" in lines
        assert "read outside PermissionError" in lines


def _look(log: Path, work: Path, **options: Any) -> Outcome:
    settings = Settings(folder=work, **options)
    task = {"kind": "look", "logs": [{"path": str(log), "name": "the log"}], "head_only": False}
    return asyncio.run(run_child(task, work, settings, wall_s=options.get("child_wall_s", 30.0)))


def test_a_log_that_takes_too_long_is_stopped(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    log.write_bytes(b"(1.0) can0 123#00\n" * 100_000)
    outcome = _look(log, tmp_path, child_wall_s=0.05)
    assert outcome.fault is not None
    assert outcome.fault.kind == "limit"


def test_a_bomb_is_named_and_costs_little(tmp_path: Path) -> None:
    log = tmp_path / "bomb.log.gz"
    log.write_bytes(gzip.compress(b"\0" * (300 << 20), 1))
    outcome = _look(log, tmp_path, child_memory_bytes=3 << 30)
    assert outcome.result is not None
    assert outcome.result["fault"]
    assert outcome.result["frames"] == 0


@pytest.mark.parametrize(
    "content", [b"", b"\0" * 1000, b"PK\x03\x04" + b"\xff" * 500, b"LOGG" + b"\xff" * 300, b"<html>"]
)
def test_what_is_no_log_is_said_to_be_none(tmp_path: Path, content: bytes) -> None:
    log = tmp_path / "x"
    log.write_bytes(content)
    outcome = _look(log, tmp_path)
    assert outcome.result is not None
    assert outcome.result["fault"]
    assert str(tmp_path) not in outcome.result["fault"]
