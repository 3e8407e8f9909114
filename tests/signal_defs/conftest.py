"""What the tests of signal_defs share."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

import signal_defs

SHIPPED = Path(signal_defs.__file__).parent / "platforms"


@pytest.fixture(autouse=True)
def _no_cache_but_ours(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Parsed databases are kept beside the tests' other files, not in the user's folder."""
    monkeypatch.setenv("IDLEWHY_CACHE", str(tmp_path_factory.getbasetemp() / "databases"))


@pytest.fixture
def changed(tmp_path: Path) -> Callable[..., Path]:
    """A copy of the van with texts in its platform.toml replaced; every text must be there.

    Golden frames are left out of a changed copy: they would be faults beside the one that a test makes.
    """

    def make(*changes: tuple[str, str], base: str = "example-van", name: str = "van") -> Path:
        folder = tmp_path / name
        shutil.copytree(SHIPPED / base, folder)
        file = folder / "platform.toml"
        text = file.read_text(encoding="utf-8")
        if changes:
            text = text.split("\n# Payloads")[0].split("\n[[golden]]")[0]
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new, 1)
        file.write_text(text, encoding="utf-8")
        return folder

    return make
