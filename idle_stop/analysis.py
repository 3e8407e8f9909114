"""One vehicle's recording, analysed: the straight way from log files to an account and its findings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from decoder.logs import ReadOptions
from decoder.record import record
from decoder.recording import Recording
from estimator.battery import estimate_battery
from estimator.estimate import BatteryEstimate
from idle_stop.account import Account
from idle_stop.attribution import account_for
from idle_stop.findings import Finding, find_findings
from signal_defs.errors import UsageError
from signal_defs.load import load_platform
from signal_defs.platform import Platform
from signal_defs.text import Text

__all__ = ["Analysis", "Finding", "Progress", "analyse"]

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """What analysis.json says, as values. vehicle: the name given, or the earliest log's."""

    vehicle: str
    platform: Platform
    recording: Recording
    estimate: BatteryEstimate
    account: Account
    findings: tuple[Finding, ...]
    unknown: tuple[Text, ...] = ()


def analyse(
    logs: Sequence[str | Path],
    platform: Platform | str | Path,
    *,
    vehicle: str | None = None,
    progress: Progress | None = None,
    options: ReadOptions | None = None,
) -> Analysis:
    """Decode the logs of one vehicle, estimate its battery, account for its standstills, draw the findings.

    logs: one or more files of one vehicle, in any order. platform: one loaded, a known id, or a folder.
    vehicle: its name; left out, that of the log that begins first, without its endings.
    progress: called with the stage and how much of how much is done. options: what the caller knows of the logs, such
    as the headings of a CSV.
    Raises UsageError without a log, DefinitionError for a faulty platform, LogError where nothing could be read.
    """
    if not logs:
        raise UsageError("No log was named.", mend="Name at least one log file of the vehicle.")
    known = platform if isinstance(platform, Platform) else load_platform(platform)
    report = progress or (lambda *_: None)
    recording = record(logs, known, progress=progress, options=options)
    report("estimate", 0, 3)
    estimate = estimate_battery(recording, known.battery, rules=known.idle_stop)
    report("account", 1, 3)
    account = account_for(recording, estimate, known.idle_stop)
    report("findings", 2, 3)
    findings = find_findings(recording, estimate, account, known)
    report("findings", 3, 3)
    return Analysis(
        vehicle=_one_line(vehicle or "") or _one_line(recording.sources[0].name.split(".")[0]) or "vehicle",
        platform=known,
        recording=recording,
        estimate=estimate,
        account=account,
        findings=findings,
        unknown=(*estimate.unknown, *account.unknown),
    )


def _one_line(name: str) -> str:
    """A name without line breaks and without space around it."""
    return " ".join(name.split())
