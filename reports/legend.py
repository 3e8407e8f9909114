"""The legend of a picture, written beside it so that it reads on any width, on paper and aloud."""

from __future__ import annotations

import html
from typing import Any

from markupsafe import Markup

from reports.picture import Picture
from reports.static_svg import swatch


def legend_of(picture: Picture) -> list[tuple[Markup, str]]:
    """A swatch and a word for each named thing in the picture; none where there is only one thing."""
    entries: dict[str, dict[str, Any]] = {}
    for trace in picture.data:
        if trace.get("showlegend", True):
            entries.setdefault(trace["name"], trace)
    if len(entries) < 2:
        return []
    return [(swatch(trace), html.unescape(name)) for name, trace in entries.items()]
