"""The command as a user meets it: help, exit codes, one message for each fault."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from idlewhy.cli.main import SUBCOMMANDS, main


def _run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "idlewhy", *words], capture_output=True, text=True, check=False, timeout=60
    )


@pytest.mark.parametrize("name", SUBCOMMANDS)
def test_every_subcommand_has_help_with_an_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([name, "--help"]) == 0
    shown = capsys.readouterr().out
    assert f"idlewhy {name}" in shown
    assert "Example" in shown or "Commands:" in shown


def test_an_unknown_option_is_wrong_usage() -> None:
    assert _run("report", "--no-such-option").returncode == 2


def test_a_log_that_is_not_there_is_an_input_fault_without_a_traceback(tmp_path: Path) -> None:
    ended = _run("report", str(tmp_path / "missing.log"), "--platform", "example-van", "-o", str(tmp_path / "p.html"))
    assert ended.returncode == 3
    assert "missing.log" in ended.stderr
    assert "Mend:" in ended.stderr
    assert "Traceback" not in ended.stderr
    assert not (tmp_path / "p.html").exists()


def test_an_unknown_platform_is_a_definition_fault_that_names_the_known_ones(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    log.write_text("(1.0) can0 123#00\n", encoding="ascii")
    ended = _run("report", str(log), "--platform", "exampel-van")
    assert ended.returncode == 4
    assert "example-van" in ended.stderr


def test_a_damaged_log_that_holds_nothing_usable_ends_with_three(tmp_path: Path) -> None:
    log = tmp_path / "a.blf"
    log.write_bytes(b"LOGG" + bytes(20))
    ended = _run("report", str(log), "--platform", "example-van", "-o", str(tmp_path / "p.html"))
    assert ended.returncode == 3
    assert "a.blf" in ended.stderr
