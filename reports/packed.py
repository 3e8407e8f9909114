"""Pictures packed into a page: columns as base64, instants as milliseconds, and nothing that could end a script."""

from __future__ import annotations

import base64
import json
from typing import Any

import numpy as np
from markupsafe import Markup

from reports.picture import Picture


def packed(picture: Picture) -> dict[str, Any]:
    """What the page's script unpacks and hands to plotly."""
    data = [{**trace, "x": _column(trace["x"]), "y": _column(trace["y"])} for trace in picture.data]
    is_time = picture.layout["xaxis"].get("type") == "date"  # pictures over time move together
    return {"data": data, "layout": {**picture.layout, "showlegend": False}, "time": is_time}


def script_json(value: Any) -> Markup:
    """JSON that may stand in a script element: no sign in it can end the element or the line."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"), default=_plain)
    harmless = text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    return Markup(harmless)  # noqa: S704 - escaped above


def _column(value: Any) -> Any:
    column = np.asarray(value)
    if column.dtype.kind == "M":
        at = column.astype("datetime64[ms]").astype(np.int64)
        first = int(at[0]) if len(at) else 0
        steps = at - first
        small = bool(len(steps)) and int(steps.min()) >= 0 and int(steps.max()) < 2**32
        return {
            "first": first,
            "type": "u4" if small else "f8",
            "steps": _base64(steps.astype("<u4" if small else "<f8")),
        }
    return {"dtype": "f4", "bdata": _base64(column.astype("<f4"))}


def _base64(column: Any) -> str:
    return base64.b64encode(column.tobytes()).decode("ascii")


def _plain(value: np.generic) -> Any:
    """NumPy's own values as JSON knows them."""
    return str(value.astype("datetime64[ms]")) if isinstance(value, np.datetime64) else value.item()
