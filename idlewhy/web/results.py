"""What an analysis left behind: a folder of its own for each attempt, taken over whole or not at all."""

from __future__ import annotations

import base64
import hashlib
import os
import shutil
import time
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

from idlewhy.web.child_tasks import FACTS, FLEET, REPORT, TRACES
from idlewhy.web.database import Database
from idlewhy.web.names import new_id
from idlewhy.web.problems import Problem

_KEPT = (REPORT, FACTS, TRACES, FLEET)
_STYLE_WITHIN = 1 << 18  # a report begins with its style


class Results:
    """The folders `results/` (finished), `work/` (being made) and `fleet/` (over all vehicles) of one store."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "results"
        self.work = folder / "work"
        self.fleet = folder / "fleet"
        for one in (self.folder, self.work, self.fleet):
            one.mkdir(parents=True, exist_ok=True, mode=0o700)

    def begin(self) -> Path:
        """An empty folder for one confined process."""
        made = self.work / new_id()
        made.mkdir(mode=0o700)
        return made

    def take(self, work: Path) -> str:
        """Take over what the process wrote; only plain files with the names agreed on. Returns the result's name."""
        name = work.name
        target = self.folder / name
        target.mkdir(mode=0o700)
        for one in _KEPT:
            path = work / one
            if path.is_file() and not path.is_symlink():
                with path.open("rb") as file:
                    os.fsync(file.fileno())
                path.replace(target / one)
        self.drop_work(work)
        return name

    @staticmethod
    def drop_work(work: Path) -> None:
        shutil.rmtree(work, ignore_errors=True)

    def path(self, result: str | None, name: str) -> Path:
        """A file of a result. Raises Problem if it is not there (yet)."""
        if result is None:
            raise Problem("not-found", "There is no result yet.", "Wait until the analysis is done.")
        path = self.folder / result / name
        if not path.is_file():
            raise Problem("not-found", "This recording has no such result.")
        return path

    def drop(self, result: str | None) -> None:
        """Delete a result."""
        if result:
            shutil.rmtree(self.folder / result, ignore_errors=True)

    def drop_fleet(self, but: str = "") -> None:
        """Delete what was written about all vehicles together. but: the names that begin so stay."""
        for path in self.fleet.iterdir():
            if not but or not path.name.startswith(but):
                path.unlink(missing_ok=True)

    def sweep(self, database: Database, younger_than_s: float = 0.0) -> None:
        """Delete results that no job names: left behind by a server that was killed."""
        named = {row["result"] for row in database.every("SELECT result FROM job WHERE result NOT NULL")}
        for path in self.folder.iterdir():
            if path.name not in named and time.time() - path.stat().st_mtime > younger_than_s:
                shutil.rmtree(path, ignore_errors=True)


def report_policy(report: Path) -> str:
    """The policy under which a report is served: its own style, this version's scripts, in an origin of its own.

    `sandbox` without allow-same-origin: whatever might run in a report can reach neither cookies nor this server. The
    scripts are those of this installation, whatever the process that wrote the report has put into it.
    """
    with report.open("rb") as file:
        head = file.read(_STYLE_WITHIN)
    style = head.partition(b"<style>")[2].partition(b"</style>")[0]
    return (
        "sandbox allow-scripts allow-downloads allow-modals; default-src 'none'; "
        f"script-src {' '.join(_scripts())}; style-src {_hash(style)} {_hash(b'')}; img-src data:; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


@lru_cache
def _scripts() -> tuple[str, ...]:
    folder = sorted(files("reports").joinpath("static").iterdir(), key=lambda one: one.name)
    return tuple(_hash(one.read_text("utf-8").encode()) for one in folder if one.name.endswith(".js"))


def _hash(content: bytes) -> str:
    """A source of a policy (CSP Level 3, section 2.3.1)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(content).digest()).decode('ascii')}'"
