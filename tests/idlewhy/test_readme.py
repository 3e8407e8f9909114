"""The README typed as it stands: every command of its sessions, with what it says they print."""

from __future__ import annotations

import doctest
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _sessions() -> list[tuple[str, str]]:
    """(command, expected output) of every console block, in order."""
    found = []
    for block in re.findall(r"```console\n(.*?)```", README, re.DOTALL):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, expected = part.partition("\n")
            found.append((command, expected))
    return found


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder as after `make demo` in a clone."""
    folder = tmp_path_factory.mktemp("clone")
    shutil.copytree(ROOT / "signal_defs" / "platforms", folder / "signal_defs" / "platforms")
    _run(folder, "idlewhy demo --out demo-out")
    return folder


def _run(folder: Path, command: str) -> str:
    words = [sys.executable, "-m", *shlex.split(command)]
    ended = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False, timeout=300)
    assert ended.returncode == 0, ended.stderr
    return ended.stdout


def test_every_command_of_the_sessions_prints_what_the_readme_says(desk: Path) -> None:
    check = doctest.OutputChecker()
    assert len(_sessions()) >= 8
    for command, expected in _sessions():
        printed = _run(desk, command)
        wanted = expected.replace("\n...\n", "\n...") if expected.endswith("...\n") else expected
        assert check.check_output(wanted, printed, doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE), (
            f"$ {command}\n{printed}\nbut the README says\n{expected}"
        )


def test_the_python_example_runs(desk: Path) -> None:
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    ended = subprocess.run([sys.executable, "-c", code], cwd=desk, capture_output=True, text=True, check=False)
    assert ended.returncode == 0, ended.stderr
    refused = [line for line in ended.stdout.splitlines() if line.startswith("refused")]
    assert len(refused) == sum("'hood closed'" in line for line in refused) == 8


def test_every_file_the_readme_links_is_there() -> None:
    links = re.findall(r"\]\(([^)#]+)\)", README)
    assert links
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_the_readme_opens_with_one_paragraph_that_states_the_job() -> None:
    first = README.split("\n\n")[1]
    assert "idle-stop" in first
    assert "```" not in first
