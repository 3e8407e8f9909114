"""Every sentence that a translator is to see: collected from the sources of all stages and from the templates."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

# Calls whose leading strings are templates: say(...), say.many(one, more, ...), Text(...), and the finding tables.
_CALLS = {"say": 1, "self": 1, "language": 1, "many": 2, "Text": 1, "check": 2, "wording": 4}

_EARLIER = ("signal_defs", "decoder", "estimator", "idle_stop", "fleet")
_TERMINAL = ("check", "scaffold")  # modules of signal_defs whose sentences stand on the terminal only, in English


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
    from reports.theme import GROUPS, STATES, URGENCIES, WEIGHTS

    for table in (STATES, WEIGHTS, URGENCIES, GROUPS, KINDS, SETTLED):
        for mark in table.values():
            yield mark.word


def condition_names() -> dict[str, str]:
    """Names of the conditions of the platforms that are shipped, and of the proposals for new ones."""
    from signal_defs.load import list_platforms, load_platform
    from signal_defs.scaffold_rules import EXAMPLE_NAMES

    names = dict.fromkeys(EXAMPLE_NAMES, "scaffold_rules.py")
    for entry in list_platforms():
        names.update(dict.fromkeys((one.name for one in load_platform(entry.id).idle_stop.conditions), entry.id))
    return names


def translator_sees() -> dict[str, str]:
    """Every sentence of this stage and of those before it, and the words in tables."""
    found = {**messages(Path(str(files("reports")))), **dict.fromkeys(shown_words(), "theme.py"), **condition_names()}
    for stage in _EARLIER:
        for path in sorted(Path(str(files(stage))).rglob("*.py")):
            if stage == "signal_defs" and path.name.startswith(_TERMINAL):
                continue
            for template in _python(ast.parse(path.read_text("utf-8")), {"Text": 1}):
                found.setdefault(template, f"{stage}/{path.name}")
    return found


def _python(tree: ast.AST, calls: Mapping[str, int] = _CALLS) -> Iterator[str]:
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        for argument in node.args[: calls.get(name, 0)]:
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
