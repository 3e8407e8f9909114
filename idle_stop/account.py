"""The account of idle-stop: every standstill, its outcome, its reasons, and what stays unexplained."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from signal_defs.platform import Group
from signal_defs.text import Text

Outcome = Literal["stopped", "cut_short", "refused", "not_sought"]
EndedBy = Literal["driver", "system", "unknown"]
Cycling = Literal["none", "normal", "defect", "undecided"]
Verdict = Literal["none", "sole", "multiple", "probable", "contradicted", "unknown"]


@dataclass(frozen=True, slots=True)
class Reason:
    """One condition found failing. value: at the decision instant, number or name; threshold: what it had to meet.

    failing_since_ns: since when without interruption. told_by_vehicle: an inhibit bit said so, nothing was inferred.
    """

    condition: str
    group: Group
    role: str
    value: float | str | bool
    threshold: float | str | bool
    unit: str
    failing_since_ns: int
    told_by_vehicle: bool = False


@dataclass(frozen=True, slots=True)
class Standstill:
    """One time at rest with the ignition on.

    start_ns, end_ns: standing. decision_ns: start plus the platform's stop delay. outcome: see contract.
    stop_start_ns, stop_end_ns: the idle-stop itself, None if there was none.
    ended_by: who ended it ("unknown" where the data cannot tell, also for refused standstills).
    reasons: for refused, what failed at the decision; for cut_short, what ended the stop.
    verdict: "none" (stopped, not sought), "sole", "multiple", "probable" (one failing, others not visible),
    "contradicted" (all known and met, yet refused), "unknown" (none failing, some not visible).
    unknown_conditions: not visible at the decision. explained: the outcome follows from the conditions.
    not_sought_because: why a stop was not to be expected, for not_sought.
    """

    start_ns: int
    end_ns: int
    decision_ns: int
    outcome: Outcome
    ended_by: EndedBy
    reasons: tuple[Reason, ...] = ()
    unknown_conditions: tuple[str, ...] = ()
    verdict: Verdict = "none"
    explained: bool = True
    stop_start_ns: int | None = None
    stop_end_ns: int | None = None
    not_sought_because: Text | None = None

    @property
    def seconds(self) -> float:
        return (self.end_ns - self.start_ns) / 1e9

    @property
    def stop_s(self) -> float:
        """How long the idle-stop lasted [s]; NaN without one."""
        if self.stop_start_ns is None or self.stop_end_ns is None:
            return math.nan
        return (self.stop_end_ns - self.stop_start_ns) / 1e9


@dataclass(frozen=True, slots=True)
class Cure:
    """What would be gone had these conditions been met: refusals, and seconds of idling."""

    conditions: tuple[str, ...]
    refusals: int
    idle_s: float


@dataclass(frozen=True, slots=True)
class Account:
    """All standstills of a recording, in order, and what they add up to.

    reason_counts: condition -> (refusals where it failed, of those where it alone failed, idle seconds).
    cures: each condition alone; smallest_cures: smallest sets that free 80 % and 100 % of the explained refusals.
    charge_cycling: refusals for lack of charge: "none", "normal" (stops used up late in a drive, and back later),
    "defect" (the first warm standstill of a drive refused), "undecided"; charge_cycling_evidence says what shows it.
    battery_only: True where only voltage and current were there, so only the battery's reasons can be offered.
    """

    standstills: tuple[Standstill, ...]
    reason_counts: Mapping[str, tuple[int, int, float]] = field(default_factory=dict)
    cures: tuple[Cure, ...] = ()
    smallest_cures: tuple[Cure, ...] = ()
    battery_only: bool = False
    unknown: tuple[Text, ...] = ()
    charge_cycling: Cycling = "none"
    charge_cycling_evidence: tuple[Text, ...] = ()

    @property
    def asked(self) -> tuple[Standstill, ...]:
        """Standstills at which a stop was to be expected."""
        return tuple(one for one in self.standstills if one.outcome != "not_sought")

    @property
    def refused(self) -> tuple[Standstill, ...]:
        """Standstills at which it was refused."""
        return tuple(one for one in self.standstills if one.outcome == "refused")

    def count(self, outcome: Outcome) -> int:
        """Standstills of that outcome."""
        return sum(standstill.outcome == outcome for standstill in self.standstills)
