"""What every test may use."""

from __future__ import annotations

import os
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def external_logs() -> Path:
    """The folder of real logs and databases from public projects, named by IDLEWHY_EXTERNAL_LOGS."""
    folder = os.environ.get("IDLEWHY_EXTERNAL_LOGS")
    if not folder:
        pytest.fail("IDLEWHY_EXTERNAL_LOGS names no folder: .ci/run sets it, DEVELOPERS.md says how to by hand")
    return Path(folder)
