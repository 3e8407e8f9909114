"""The page that lists every key of analysis.json, made from its schema: `python -m reports.schema_page`.

A test holds `schema/README.md` to it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping
from importlib.resources import files
from typing import Any

SCHEMA = "schema/analysis-1.schema.json"
HEAD = """# analysis.json, key by key

What `idlewhy report --json` writes. Made by `python -m reports.schema_page` from `analysis-1.schema.json`, which is
the contract itself: validate against it. `a[].b` is the key `b` of each object in the list `a`. A *figure* is
`{"value", "low", "high"}`, the band 95 %, or null; an *interval* is `{"low", "high"}`, an open end null; a *reason* has
the keys at the end.
"""


def page() -> str:
    """The whole page, Markdown."""
    schema = json.loads(files("reports").joinpath(SCHEMA).read_text("utf-8"))
    rows = list(_rows("", schema, schema["$defs"]))
    reasons = list(_rows("reason", schema["$defs"]["reason"], schema["$defs"]))
    table = [f"| `{path}` | {kind} | {words} |" for path, kind, words in [*rows, *reasons]]
    about = schema["description"]
    return "\n".join([HEAD, about, "", "| key | holds | |", "|---|---|---|", *table, ""])


def _rows(path: str, node: Mapping[str, Any], defs: Mapping[str, Any]) -> Iterator[tuple[str, str, str]]:
    """Path, kind and description of every key below a node."""
    for key, child in node.get("properties", {}).items():
        place = f"{path}.{key}" if path else key
        inner, suffix = _inner(child)
        words = str(child.get("description", "")).replace("|", "\\|")
        if inner is None:
            yield place, _kind(child, defs), words
            continue
        yield place, "list of objects" if suffix else _kind(child, defs), words
        yield from _rows(place + suffix, inner, defs)


def _inner(node: Mapping[str, Any]) -> tuple[Mapping[str, Any] | None, str]:
    """The object that a key leads to, itself or in a list; None where it leads to none."""
    if "properties" in node:
        return node, ""
    items = node.get("items", {})
    if "properties" in items:
        return items, "[]"
    found = next((part for part in node.get("oneOf", ()) if "properties" in part), None)
    return found, ""


def _kind(node: Mapping[str, Any], defs: Mapping[str, Any]) -> str:
    """What a key holds, in a word or two."""
    if "$ref" in node:
        name = node["$ref"].rpartition("/")[2]
        return name if name in {"figure", "interval", "reason"} else _kind(defs[name], defs)
    if "const" in node:
        return f"`{node['const']}`"
    if "enum" in node:
        return " or ".join(f"`{value}`" for value in node["enum"])
    if "oneOf" in node:
        return " or ".join(_kind(part, defs) for part in node["oneOf"])
    kinds = node["type"] if isinstance(node["type"], list) else [node["type"]]
    if kinds == ["array"]:
        return f"list of {_kind(node['items'], defs)}"
    return " or ".join(kinds)


if __name__ == "__main__":
    sys.stdout.write(page())
