"""What the facts of a recording say is worth a check or a repair: a table of rules, each with its evidence."""

from __future__ import annotations

from decoder.recording import Recording
from estimator.estimate import BatteryEstimate
from idle_stop.account import Account
from idle_stop.findings.finding import Finding, Weight
from signal_defs.platform import Platform

__all__ = ["Finding", "Weight", "find_findings"]


def find_findings(
    recording: Recording, estimate: BatteryEstimate, account: Account, platform: Platform
) -> tuple[Finding, ...]:
    """Every finding the facts carry, most weighty first."""
    del recording, estimate, account, platform
    return ()
