"""One vehicle's recording, analysed: the straight way from log files to an account and its findings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from decoder.recording import Recording
from estimator.estimate import BatteryEstimate
from idle_stop.account import Account
from signal_defs.platform import Platform
from signal_defs.text import Text

Weight = Literal["note", "check", "act"]


@dataclass(frozen=True, slots=True)
class Finding:
    """A conclusion. code: stable key; its title, next checks and cautions are worded in `reports.findings`.

    weight: how much it asks for. possible: True where fewer than two independent lines of evidence carry it, or an
    input is unknown. evidence, against: lines for and against it, each a figure with its place.
    """

    code: str
    weight: Weight
    possible: bool
    evidence: tuple[Text, ...]
    against: tuple[Text, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """What contract.md calls analysis.json, as values. vehicle: the name given, or the first log's."""

    vehicle: str
    platform: Platform
    recording: Recording
    estimate: BatteryEstimate
    account: Account
    findings: tuple[Finding, ...]
    unknown: tuple[Text, ...] = ()
