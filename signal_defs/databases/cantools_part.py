"""The part of cantools that reads databases, without the rest of it.

`import cantools` also loads its bus simulation, which loads python-can with every log format that is installed: over a
second, where the databases alone take a tenth of that.
"""

from __future__ import annotations

import importlib
import importlib.util
import sys
from functools import cache
from typing import Any

_PACKAGE = "cantools"


@cache
def cantools_database() -> Any:
    """The module `cantools.database`; a later `import cantools` of anybody's still gets the whole package."""
    spec = importlib.util.find_spec(_PACKAGE)
    if _PACKAGE in sys.modules or spec is None:
        return importlib.import_module(f"{_PACKAGE}.database")
    bare = importlib.util.module_from_spec(spec)  # has the package's folder; its own code does not run
    sys.modules[_PACKAGE] = bare
    try:
        return importlib.import_module(f"{_PACKAGE}.database")
    finally:
        if sys.modules.get(_PACKAGE) is bare:
            del sys.modules[_PACKAGE]
