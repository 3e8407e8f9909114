"""What is handed out: a wheel that holds all it needs and no more, the same bytes each time, and runs anywhere."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
STAGES = ("signal_defs", "decoder", "estimator", "idle_stop", "fleet", "reports", "idlewhy")
VERSION = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]


@dataclass(frozen=True)
class Built:
    """A copy of the source, the wheel made from its sdist, and the wheel made from the copy itself."""

    source: Path
    through_sdist: Path
    direct: Path


def _build(source: Path, out: Path, *words: str) -> Path:
    subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(out), *words, str(source)],
        check=True,
        capture_output=True,
        env={**os.environ, "SOURCE_DATE_EPOCH": "1700000000", "PYTHONDONTWRITEBYTECODE": "1"},
    )
    (wheel,) = out.glob("*.whl")
    return wheel


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    source.mkdir()
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source)
    for stage in STAGES:
        shutil.copytree(ROOT / stage, source / stage, ignore=shutil.ignore_patterns("__pycache__"))
    through_sdist = _build(source, folder / "one")
    return Built(source, through_sdist, _build(source, folder / "two", "--wheel"))


def test_the_wheel_has_the_same_bytes_each_time(built: Built) -> None:
    assert built.through_sdist.read_bytes() == built.direct.read_bytes()


def test_the_wheel_holds_every_file_that_a_stage_needs(built: Built) -> None:
    needed = {
        path.relative_to(built.source).as_posix()
        for stage in STAGES
        for path in (built.source / stage).rglob("*")
        if path.is_file() and path.name != "README.md"  # read in the checkout, not by the program
    }
    assert not needed - set(zipfile.ZipFile(built.direct).namelist())


def test_the_wheel_holds_the_stages_and_nothing_else(built: Built) -> None:
    tops = {name.partition("/")[0] for name in zipfile.ZipFile(built.direct).namelist()}
    assert tops == {*STAGES, f"idlewhy-{VERSION}.dist-info"}


def test_the_installed_wheel_runs_outside_the_checkout(built: Built, tmp_path: Path) -> None:
    place = tmp_path / "installed"
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-index", "--no-deps"]
    subprocess.run([*pip, "--no-compile", "--target", str(place), str(built.direct)], check=True, capture_output=True)

    def run(*words: str) -> str:
        return subprocess.run(
            [sys.executable, *words],
            check=True,
            capture_output=True,
            text=True,
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(place)},
        ).stdout

    assert run("-c", "import idlewhy; print(idlewhy.__file__)").startswith(str(place))
    assert run("-m", "idlewhy", "--version").strip().endswith(VERSION)
    listed = run("-m", "idlewhy", "platform", "list")
    assert all(name in listed for name in ("example-van", "example-hatch", "open-standard"))
