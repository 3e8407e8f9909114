"""Every sentence that a translator is to see: collected from the sources of all stages and from the templates."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

# Calls whose leading strings are templates: say(...), say.many(one, more, ...), Text(...), and the finding tables.
_CALLS = {"say": 1, "self": 1, "language": 1, "many": 2, "Text": 1, "check": 2, "wording": 4}

_MARK_WORD = 3  # the place of the word among the arguments of Mark(...)

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


def _platform_names() -> dict[str, str]:
    """Titles, names and sources of conditions of the platforms that are shipped, and of the proposals for new ones."""
    from signal_defs.load import list_platforms, load_platform
    from signal_defs.scaffold_rules import EXAMPLE_NAMES

    names = dict.fromkeys(EXAMPLE_NAMES, "scaffold_rules.py")
    for entry in list_platforms():
        platform = load_platform(entry.id)
        rules = platform.idle_stop.conditions
        words = (platform.title, *(one.name for one in rules), *(one.source for one in rules if one.source))
        names.update(dict.fromkeys(words, entry.id))
    return names


def translator_sees() -> dict[str, str]:
    """Every sentence of this stage and of those before it, and the words in tables."""
    found = {**messages(Path(str(files("reports")))), **_platform_names()}
    for stage in _EARLIER:
        for path in sorted(Path(str(files(stage))).rglob("*.py")):
            if stage == "signal_defs" and path.name.startswith(_TERMINAL):
                continue
            for template in _python(ast.parse(path.read_text("utf-8")), {"Text": 1, "many": 2}):
                found.setdefault(template, f"{stage}/{path.name}")
    return found


def _python(tree: ast.AST, calls: Mapping[str, int] = _CALLS) -> Iterator[str]:
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        wanted = node.args[_MARK_WORD:] if name == "Mark" else node.args[: calls.get(name, 0)]
        for argument in wanted:
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
        is_many = isinstance(call.node, nodes.Getattr) and call.node.attr == "many"
        says = call.node.node if is_many else call.node
        if isinstance(says, nodes.Name) and says.name == "say":
            yield from (one.value for one in call.args[: 1 + is_many] if isinstance(one, nodes.Const))
