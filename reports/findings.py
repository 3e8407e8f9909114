"""Every finding code's wording, and what shows when a code is not known here."""

from __future__ import annotations

from idle_stop.analysis import Finding
from reports.findings_battery import BATTERY
from reports.findings_charging import CHARGING
from reports.findings_data import DATA
from reports.findings_vehicle import VEHICLE
from reports.language import Language
from reports.theme import WEIGHTS
from reports.wording import Wording
from signal_defs.text import Text

WORDINGS: dict[str, Wording] = {**BATTERY, **CHARGING, **VEHICLE, **DATA}


def wording(code: str) -> Wording:
    """The wording of a finding code; for one that is not in the tables, its code as the title and no checks."""
    found = WORDINGS.get(code)
    if found:
        return found
    return Wording(
        title=Text("Finding {code}", {"code": code}),
        meaning=Text("There is no wording for this finding; its evidence stands below."),
        checks=(),
        false_friend=Text(""),
    )


def by_urgency(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Findings to act on first, then to check, then notes; firm ones before possible ones; else as they came."""
    order = list(WEIGHTS)
    return tuple(sorted(findings, key=lambda finding: (order.index(finding.weight), finding.possible)))


def certainty(finding: Finding, say: Language) -> str:
    """How far a finding can be trusted."""
    if finding.possible:
        return say("Possible, not proven: one line of evidence, or something it needs is unknown.")
    return say("Well supported: independent lines of evidence agree.")
