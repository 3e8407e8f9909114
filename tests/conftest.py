"""What every test may use."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser

EXTERNAL = "IDLEWHY_EXTERNAL_LOGS"


@pytest.fixture(scope="session")
def external_logs() -> Path:
    """The folder of real logs and databases from public projects, named by IDLEWHY_EXTERNAL_LOGS."""
    return Path(os.environ[EXTERNAL])


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Parsed databases are kept in a folder of this run, never in the user's cache."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("IDLEWHY_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The distribution's Chromium without a screen; one a module, since its loop would stand in the way of others."""
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium") or shutil.which("chromium-browser")
    assert program, "the browser tests need the distribution's chromium"
    quiet = ["--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync"]
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(
            executable_path=program, args=["--headless", "--no-sandbox", "--disable-gpu", *quiet]
        )
        yield running
        running.close()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark the kinds of test that tell themselves, so that `pytest -m browser` or `-m property` runs one kind.

    Without the folder of external logs, the tests that read it are not part of the run; the summary says so.
    """
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker("browser")
        if getattr(getattr(item, "obj", None), "is_hypothesis_test", False):
            item.add_marker("property")
    if os.environ.get(EXTERNAL):
        return
    external = [item for item in items if "external_logs" in getattr(item, "fixturenames", ())]
    if external:
        config.hook.pytest_deselected(items=external)
        items[:] = [item for item in items if item not in external]


def pytest_report_header() -> str:
    """Say at the top whether the external logs take part."""
    folder = os.environ.get(EXTERNAL)
    return f"external logs: {'read' if folder else f'not read, {EXTERNAL} names no folder'}"
