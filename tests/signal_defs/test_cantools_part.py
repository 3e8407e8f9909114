"""The databases of cantools without the rest of it."""

from __future__ import annotations

import subprocess
import sys

CHILD = """
import sys
from signal_defs.databases.cantools_part import cantools_database
part = cantools_database()
heavy = {"can", "asammdf", "pandas"} & set(sys.modules)
assert not heavy, heavy
import cantools
assert cantools.database is part and cantools.tester and cantools.__version__
assert cantools_database() is part
"""


def test_databases_load_no_log_library_and_leave_the_whole_package_usable() -> None:
    done = subprocess.run([sys.executable, "-c", CHILD], check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
