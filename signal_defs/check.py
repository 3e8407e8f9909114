"""Checks a platform by itself, without a log: everything that can be found wrong or doubtful in its definition."""

from __future__ import annotations

from pathlib import Path

from signal_defs.check_conditions import check_conditions
from signal_defs.check_finding import ORDER, CheckFinding, CheckWeight
from signal_defs.check_layouts import check_layouts
from signal_defs.check_roles import check_roles
from signal_defs.definition import Definition
from signal_defs.errors import DefinitionError
from signal_defs.faults import Faults
from signal_defs.load import build_platform, load_definition
from signal_defs.text import Text

__all__ = ["CheckFinding", "CheckWeight", "check_platform"]


def check_platform(id_or_path: str | Path) -> tuple[CheckFinding, ...]:
    """Every finding, errors first, else in the order of the checks. Never raises for what is wrong in the platform.

    What `load_platform` refuses is among the findings as an error; the rest of the platform is checked all the same.
    Raises DefinitionError only where there is no such platform.
    """
    try:
        definition = load_definition(id_or_path)
    except DefinitionError as error:
        if not error.where:
            raise
        return (_as_finding(error),)
    faults = Faults()
    platform = build_platform(definition, faults)
    findings = [_as_finding(error) for _, error in faults.found]
    if platform is not None:
        findings += _identity(definition, platform.id)
        findings += check_layouts(platform)
        findings += check_roles(definition, platform)
        findings += check_conditions(definition, platform)
    return tuple(sorted(findings, key=lambda finding: ORDER[finding.weight]))


def _as_finding(error: DefinitionError) -> CheckFinding:
    return CheckFinding(
        "definition", "error", error.where, Text("{what}", {"what": error.what}), Text("{mend}", {"mend": error.mend})
    )


def _identity(definition: Definition, platform_id: str) -> list[CheckFinding]:
    folder = definition.folder.resolve().name
    if folder == platform_id:
        return []
    return [
        CheckFinding(
            "id_and_folder",
            "note",
            str(definition.top(Faults()).place("id")),
            Text("The id is {id}, the folder {folder}.", {"id": platform_id, "folder": folder}),
            Text("Platforms are found by the folder's name: let both be the same."),
        )
    ]
