"""Every sentence of the web pages that a translator is to see; the catalogue stands with that of the reports."""

from __future__ import annotations

import ast
from pathlib import Path

from idlewhy.web.problems import TYPES
from reports.messages import messages


def translator_sees() -> dict[str, str]:
    """Sentence -> the file in which it was found first."""
    folder = Path(__file__).parent
    titles = {title: "problems.py" for _, title in TYPES.values()}
    return {**messages(folder), **titles, **_fixed_errors(folder)}


def _fixed_errors(folder: Path) -> dict[str, str]:
    """Texts of problems that hold no value of the request; the others are English, as everywhere."""
    return {
        text.value: path.name
        for path in sorted(folder.glob("*.py"))
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Problem"
        for text in node.args[1:3]
        if isinstance(text, ast.Constant) and isinstance(text.value, str) and text.value
    }
