"""Why did the engine keep running? The API; the command is in `idlewhy.cli`, the web pages in `idlewhy.web`."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from idle_stop.analysis import Analysis, analyse
    from signal_defs.errors import IdlewhyError
    from signal_defs.platform import Platform

_HOMES = {
    "Analysis": "idle_stop.analysis",
    "IdlewhyError": "signal_defs.errors",
    "Platform": "signal_defs.platform",
    "analyse": "idle_stop.analysis",
}

__all__ = ["Analysis", "IdlewhyError", "Platform", "analyse"]


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for, so that the command starts without the whole machinery."""
    if name not in _HOMES:
        raise AttributeError(f"module 'idlewhy' has no attribute {name!r}")
    found = getattr(importlib.import_module(_HOMES[name]), name)
    if name in {"Analysis", "analyse"}:
        from reports.notebook import show_in_notebooks

        show_in_notebooks()
    return found


def __dir__() -> list[str]:
    return sorted(__all__)
