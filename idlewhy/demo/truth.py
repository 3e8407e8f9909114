"""What really happened to a demo vehicle: kept beside its logs, never read by the analysis."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from decoder.frames import FloatArray, Int64Array
from estimator.estimate import StartKind
from idle_stop.account import EndedBy, Outcome


@dataclass(frozen=True, slots=True)
class TrueStandstill:
    """A standstill as simulated. reasons: names of the platform's conditions that failed; unknown: not on the bus.

    decision_ns: start plus the stop delay, also where nothing was decided. ended_by: "unknown" unless it stopped.
    """

    start_ns: int
    decision_ns: int
    end_ns: int
    outcome: Outcome
    ended_by: EndedBy
    reasons: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TrueStart:
    """A crank: starter on, starter off, engine running [ns]; lowest voltage [V] and largest draw [A, negative]."""

    start_ns: int
    end_ns: int
    kind: StartKind
    min_v: float
    peak_a: float


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """The whole truth on one vehicle.

    time_ns, soc: (n,) charge left in % of the capacity it has now. capacity_ah: that capacity.
    resistance_mohm: ohmic and charge transfer, as a crank's plateau shows it, full, at 25 degC.
    asleep_ma: draw while parked and asleep (magnitude). findings: codes an analysis must give.
    may_find: codes that it may give as well.
    """

    standstills: tuple[TrueStandstill, ...]
    starts: tuple[TrueStart, ...]
    time_ns: Int64Array
    soc: FloatArray
    capacity_ah: float
    resistance_mohm: float
    asleep_ma: float
    findings: tuple[str, ...] = ()
    may_find: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """For truth.json: times in ns, charge once a minute of simulated time at most."""
        charge = [[int(t), round(float(s), 2)] for t, s in zip(self.time_ns, self.soc, strict=True)]
        return {
            "standstills": [asdict(standstill) for standstill in self.standstills],
            "starts": [asdict(start) for start in self.starts],
            "soc_percent": charge,
            "capacity_ah": self.capacity_ah,
            "resistance_mohm": self.resistance_mohm,
            "asleep_ma": self.asleep_ma,
            "findings": list(self.findings),
            "may_find": list(self.may_find),
        }


@dataclass(frozen=True, slots=True, eq=False)
class DemoVehicle:
    """A vehicle of the demo fleet: its logs, its platform, its story in one sentence, and the truth.

    after: the id of the vehicle that this one is, after its repair; empty for all others.
    """

    id: str
    platform: str
    logs: tuple[Path, ...]
    story: str
    truth: Truth = field(repr=False)
    after: str = ""
