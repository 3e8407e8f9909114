"""What fuzzing found stays mended: every input under fixtures/fuzz holds what `tests.fuzz` demands."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.fault

ROOT = Path(__file__).parents[2]


def test_every_kept_input_is_read_within_its_bounds() -> None:
    command = [sys.executable, "-m", "tests.fuzz", "--replay"]
    done = subprocess.run(command, cwd=ROOT, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
