"""The stages import only what lies to their left, and the public door is as short as it says."""

from __future__ import annotations

import ast
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import idlewhy

STAGES = ("signal_defs", "decoder", "estimator", "idle_stop", "fleet", "reports", "idlewhy")
# Of the last stage, each room and those before it whose modules it may import; the rest is for all of them.
ROOMS = {
    "demo": set(),
    "platform_kit": set(),
    "anonymise": set(),
    "web": {"platform_kit"},
    "cli": {"demo", "platform_kit", "anonymise", "web"},
}
ROOT = Path(__file__).resolve().parents[2]


def _imported(path: Path) -> set[str]:
    """Every module a file imports, inside functions too; of `from package import module` the module."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            found.update(name if _file(name).is_file() else node.module for name in names)
    return found


def _file(module: str) -> Path:
    return ROOT / f"{module.replace('.', '/')}.py"


def _stages_imported(path: Path) -> set[str]:
    return {module.split(".")[0] for module in _imported(path)} & set(STAGES)


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_imports_only_stages_before_it(stage: str) -> None:
    allowed = set(STAGES[: STAGES.index(stage) + 1])
    wrong = {
        str(path.relative_to(ROOT)): sorted(extra)
        for path in (ROOT / stage).rglob("*.py")
        if (extra := _stages_imported(path) - allowed)
    }
    assert not wrong


@pytest.mark.parametrize("room", ROOMS)
def test_a_room_of_the_last_stage_imports_only_rooms_before_it(room: str) -> None:
    others = {f"idlewhy.{name}" for name in ROOMS.keys() - ROOMS[room] - {room}}
    files = [*(ROOT / "idlewhy" / room).rglob("*.py"), *(ROOT / "idlewhy").glob(f"{room}.py")]
    assert files
    wrong = {
        str(path.relative_to(ROOT)): sorted(extra)
        for path in files
        if (extra := {module for module in _imported(path) if ".".join(module.split(".")[:2]) in others})
    }
    assert not wrong


def test_no_modules_import_each_other_in_a_circle() -> None:
    paths = {
        ".".join(path.relative_to(ROOT).with_suffix("").parts): path
        for stage in STAGES
        for path in (ROOT / stage).rglob("*.py")
    }
    order = TopologicalSorter({module: _imported(path) & paths.keys() for module, path in paths.items()})
    order.prepare()  # raises CycleError, which names the circle


def test_the_public_names_are_all_there_and_no_more() -> None:
    assert sorted(idlewhy.__all__) == ["Analysis", "IdlewhyError", "Platform", "analyse"]
    for name in idlewhy.__all__:
        assert getattr(idlewhy, name).__name__ == name
