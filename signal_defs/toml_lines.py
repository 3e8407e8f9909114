"""In which line of a TOML text each key stands. tomllib gives values only; an error message needs the line."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

Keys = tuple[str | int, ...]

_KEY = re.compile(r"""\s*("(?:[^"\\\n]|\\.)*"|'[^'\n]*'|[A-Za-z0-9_-]+)\s*""")
_SKIP = re.compile(r'"""(?:[^\\]|\\.)*?"""|\'\'\'.*?\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|#[^\n]*', re.DOTALL)


@dataclass(slots=True)
class _Scan:
    text: str
    lines: dict[Keys, int] = field(default_factory=dict)
    table: Keys = ()
    sizes: dict[Keys, int] = field(default_factory=dict)
    position: int = 0
    line: int = 1


def key_lines(text: str) -> dict[Keys, int]:
    """Line number, from 1, of every key and table header; array tables are counted: ("bus", 0, "name").

    The text must be valid TOML (tomllib has read it); keys inside inline tables get no line of their own.
    """
    scan = _Scan(text)
    while scan.position < len(text):
        start = text[scan.position]
        if start == "\n":
            _advance(scan, scan.position + 1)
        elif start.isspace():
            scan.position += 1
        elif start == "#":
            _advance(scan, _line_end(text, scan.position))
        elif start == "[":
            _header(scan)
        else:
            _pair(scan)
    return scan.lines


def _header(scan: _Scan) -> None:
    is_array = scan.text.startswith("[[", scan.position)
    parts, _ = _key_path(scan.text, scan.position + (2 if is_array else 1))
    keys = _indexed(scan, parts[:-1]) + parts[-1:]
    if is_array:
        size = scan.sizes.get(keys, 0)
        scan.sizes[keys] = size + 1
        scan.lines.setdefault(keys, scan.line)
        keys = (*keys, size)
    scan.table = keys
    scan.lines.setdefault(keys, scan.line)
    _advance(scan, _line_end(scan.text, scan.position))


def _indexed(scan: _Scan, parts: Keys) -> Keys:
    """A header's parents, each array table with the index of its last element."""
    keys: Keys = ()
    for part in parts:
        keys = (*keys, part)
        if keys in scan.sizes:
            keys = (*keys, scan.sizes[keys] - 1)
    return keys


def _pair(scan: _Scan) -> None:
    parts, position = _key_path(scan.text, scan.position)
    for count in range(1, len(parts) + 1):
        scan.lines.setdefault(scan.table + parts[:count], scan.line)
    _advance(scan, _value_end(scan.text, position))


def _key_path(text: str, position: int) -> tuple[Keys, int]:
    parts: list[str] = []
    while match := _KEY.match(text, position):
        parts.append(match[1].strip("\"'"))
        position = match.end()
        if not text.startswith(".", position):
            break
        position += 1
    return tuple(parts), max(position, 1)


def _value_end(text: str, position: int) -> int:
    """Where the value that begins at `position` has its line break."""
    depth = 0
    while position < len(text):
        skip = _SKIP.match(text, position)
        if skip:
            position = skip.end()
            continue
        char = text[position]
        if char == "\n" and depth <= 0:
            return position
        depth += (char in "[{") - (char in "]}")
        position += 1
    return position


def _line_end(text: str, position: int) -> int:
    end = text.find("\n", position)
    return len(text) if end < 0 else end


def _advance(scan: _Scan, position: int) -> None:
    position = max(position, scan.position + 1)
    scan.line += scan.text.count("\n", scan.position, position)
    scan.position = position
