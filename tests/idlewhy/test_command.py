"""The command as a user meets it: help, exit codes, one message for each fault."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from idlewhy.cli.main import SUBCOMMANDS, main
from signal_defs.errors import UsageError


def _run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "idlewhy", *words], capture_output=True, text=True, check=False, timeout=60
    )


@pytest.mark.parametrize("name", SUBCOMMANDS)
def test_every_subcommand_has_help_with_an_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([name, "--help"]) == 0
    shown = capsys.readouterr().out
    assert f"\n    idlewhy {name}" in shown  # on a line of its own, as it is typed
    assert "Example" in shown


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


def test_compare_takes_all_logs_behind_with_as_from_after_the_repair(monkeypatch: pytest.MonkeyPatch) -> None:
    sides: list[list[str]] = []

    def seen(logs: tuple[str, ...], *_: object, **__: object) -> None:
        sides.append(list(logs))
        raise UsageError("enough seen")

    monkeypatch.setattr("idle_stop.analysis.analyse", seen)
    for words in (["a", "b", "--with", "c", "d", "-p", "x", "-o", "o"], ["--with", "c", "d", "-p", "x", "-o", "o"]):
        main(["compare", *words])
    assert sides == [["a", "b"]]  # the second call names no log from before and is wrong usage


def test_a_log_on_both_sides_of_compare_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["compare", "a", "--with", "b", "a", "-p", "x", "-o", "o.html"]) == 2
    assert "both as before and as after" in capsys.readouterr().err
