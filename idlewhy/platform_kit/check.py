"""Everything that can be found wrong with a platform: by itself, at its golden frames, and against logs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from decoder.logs import ReadOptions
from decoder.record import Progress, record
from decoder.recording import Recording
from idlewhy.platform_kit.check_roles_seen import check_roles_seen
from idlewhy.platform_kit.check_traffic import check_traffic
from idlewhy.platform_kit.golden import check_golden
from idlewhy.platform_kit.physics import check_physics
from idlewhy.platform_kit.traffic import read_traffic
from signal_defs.check import check_platform
from signal_defs.check_finding import ORDER, CheckFinding
from signal_defs.check_roles import place_of
from signal_defs.faults import Faults
from signal_defs.load import build_platform, load_definition
from signal_defs.platform import Platform
from signal_defs.text import Text


@dataclass(frozen=True, slots=True)
class RoleCoverage:
    """One role. samples: frames that carry it. valid_share: 0 to 1, of them. lowest, highest: of the valid ones, in the
    role's unit; None where there is none.
    """

    role: str
    source: str
    unit: str
    samples: int
    rate_hz: float | None
    valid_share: float
    lowest: float | None
    highest: float | None


@dataclass(frozen=True, slots=True)
class Checked:
    """findings: errors first. coverage: empty without a log."""

    findings: tuple[CheckFinding, ...]
    coverage: tuple[RoleCoverage, ...] = ()

    def as_json(self) -> dict[str, Any]:
        rows = [
            {"code": f.code, "weight": f.weight, "place": f.place, "what": str(f.what), "mend": str(f.mend)}
            for f in self.findings
        ]
        return {"findings": rows, "coverage": [asdict(one) for one in self.coverage]}


def check_all(
    which: str | Path,
    logs: Sequence[str | Path] = (),
    *,
    progress: Progress | None = None,
    options: ReadOptions | None = None,
) -> Checked:
    """Check a platform; what is wrong in it never raises.

    Raises DefinitionError where there is no such platform, LogError where a log cannot be read or holds nothing of it.
    """
    findings = list(check_platform(which))
    if any(finding.code == "definition" for finding in findings):
        if logs:
            said = Text("The logs were not looked at: the definition cannot be used as it is.")
            findings.append(CheckFinding("not_checked", "note", str(which), said, Text("Mend the errors first.")))
        return Checked(_ordered(findings))
    definition = load_definition(which)
    platform = build_platform(definition, Faults())
    assert platform is not None
    findings += check_golden(platform)
    if not logs:
        return Checked(_ordered(findings))
    # frames that fail their protection take part: whether its declaration fits is among the questions
    recording = record(logs, replace(platform, protections=()), progress=progress, options=options)
    places = {role: place_of(definition, "signals", role) for role in platform.bindings}
    findings += check_roles_seen(platform, recording, places)
    findings += check_physics(recording, places)
    findings += check_traffic(platform, read_traffic(logs, platform, options))
    return Checked(_ordered(findings), _coverage(platform, recording))


def _ordered(findings: Sequence[CheckFinding]) -> tuple[CheckFinding, ...]:
    return tuple(sorted(findings, key=lambda finding: ORDER[finding.weight]))


def _coverage(platform: Platform, recording: Recording) -> tuple[RoleCoverage, ...]:
    """Every role that the platform binds, seen or not."""
    rows = []
    for role, binding in platform.bindings.items():
        trace = recording.traces.get(role)
        if trace is None or not len(trace):
            rows.append(RoleCoverage(role, binding.source, binding.role.unit, 0, None, 0.0, None, None))
            continue
        values = trace.value[trace.valid & np.isfinite(trace.value)]
        period = trace.period_s
        rows.append(
            RoleCoverage(
                role,
                binding.source,
                binding.role.unit,
                len(trace),
                1.0 / period if period > 0 else None,
                float(trace.valid.mean()),
                float(values.min()) if len(values) else None,
                float(values.max()) if len(values) else None,
            )
        )
    return tuple(rows)
