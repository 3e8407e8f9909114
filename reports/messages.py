"""Every sentence that a translator is to see: collected from the sources of all stages and from the templates."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

# Calls whose leading strings are templates: say(...), say.many(one, more, ...), Text(...), and the finding tables.
_CALLS = {"say": 1, "self": 1, "language": 1, "many": 2, "Text": 1, "check": 2, "wording": 4}


def messages(folder: Path) -> dict[str, str]:
    """Template -> the file it was first found in, of all Python and template files below a folder; in file order."""
    found: dict[str, str] = {}
    for path in sorted(folder.rglob("*.py")):
        for template in _python(ast.parse(path.read_text("utf-8"))):
            found.setdefault(template, path.name)
    for path in sorted(folder.rglob("*.html.j2")):
        for template in _jinja(path.read_text("utf-8")):
            found.setdefault(template, path.name)
    return found


def shown_words() -> Iterator[str]:
    """Templates that stand in tables of the theme and are looked up by their value."""
    from reports.figures.charge import SETTLED
    from reports.figures.starts import KINDS
    from reports.theme import GROUPS, STATES, WEIGHTS

    for table in (STATES, WEIGHTS, GROUPS, KINDS, SETTLED):
        for mark in table.values():
            yield mark.word


def translator_sees() -> dict[str, str]:
    """Everything in this stage, and what platforms lack."""
    from signal_defs.costs import COSTS

    costs = dict.fromkeys((one.cost.template for one in COSTS), "costs.py")
    return {**messages(Path(str(files("reports")))), **dict.fromkeys(shown_words(), "theme.py"), **costs}


def _python(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        for argument in node.args[: _CALLS.get(name, 0)]:
            yield from _strings(argument)


def _strings(node: ast.AST) -> Iterator[str]:
    """A string, or the strings of either side of a choice."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value:
        yield node.value
    elif isinstance(node, ast.IfExp):
        yield from _strings(node.body)
        yield from _strings(node.orelse)


def _jinja(source: str) -> Iterator[str]:
    from jinja2 import Environment, nodes

    tree: Any = Environment(autoescape=True).parse(source)
    for call in tree.find_all(nodes.Call):
        if isinstance(call.node, nodes.Name) and call.node.name == "say" and isinstance(call.args[0], nodes.Const):
            yield call.args[0].value
