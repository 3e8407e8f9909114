"""What every test may use."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

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


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Without the folder of external logs, the tests that read it are not part of the run; the summary says so."""
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
