"""The stages import only what lies to their left, and the public door is as short as it says."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import idlewhy

STAGES = ("signal_defs", "decoder", "estimator", "idle_stop", "fleet", "reports", "idlewhy")
ROOT = Path(__file__).resolve().parents[2]


def _stages_imported(path: Path) -> set[str]:
    """Every stage a file imports, inside functions too."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module.split(".")[0])
    return found & set(STAGES)


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_imports_only_stages_before_it(stage: str) -> None:
    allowed = set(STAGES[: STAGES.index(stage) + 1])
    wrong = {
        str(path.relative_to(ROOT)): sorted(extra)
        for path in (ROOT / stage).rglob("*.py")
        if (extra := _stages_imported(path) - allowed)
    }
    assert not wrong


def test_the_public_names_are_all_there_and_no_more() -> None:
    assert sorted(idlewhy.__all__) == ["Analysis", "IdlewhyError", "Platform", "analyse"]
    for name in idlewhy.__all__:
        assert getattr(idlewhy, name).__name__ == name
