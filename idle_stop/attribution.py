"""The account of a recording: every standstill judged, with its reasons and what stays unknown."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from decoder.recording import Recording
from estimator.estimate import BatteryEstimate
from idle_stop.account import Account, Reason, Standstill, Verdict
from idle_stop.conditions import Evaluated, evaluate_all
from idle_stop.cures import idle_seconds, single_cures, smallest_cures
from idle_stop.cycling import charge_cycling
from idle_stop.endings import DRIVER_ROLES, Endings
from idle_stop.readings import Readings
from idle_stop.standstills import Candidate, Ground, find_standstills, lay_ground
from idle_stop.steps import FAILING, UNKNOWN, Int8Array
from idle_stop.told import Told, VehicleWord, confirmed
from signal_defs.platform import IdleStopRules
from signal_defs.text import Text

ARMING = "driven since the last start"
ASKING = "stop asked for by the driver"


def account_for(recording: Recording, estimate: BatteryEstimate, rules: IdleStopRules) -> Account:
    """Judge every standstill of a recording.

    Where neither engine nor speed is in the log, only the stops themselves are seen, and only conditions of the
    electrical group are offered as reasons; `battery_only` and a sentence say so.
    """
    readings = Readings(recording, estimate)
    ground = lay_ground(readings, rules)
    evaluated = evaluate_all(readings, rules, ground.stops[:, 0])
    if ground.battery_only:
        evaluated = tuple(one for one in evaluated if one.condition.group == "electrical")
    candidates = find_standstills(readings, rules, ground)
    judge = _Judge(readings, rules, evaluated, candidates)
    standstills = tuple(judge.judge(index) for index in range(len(candidates)))
    smallest, said = smallest_cures(standstills)
    cycling, evidence = charge_cycling(standstills, estimate, readings)
    return Account(
        standstills=standstills,
        reason_counts=reason_counts(standstills),
        cures=single_cures(standstills),
        smallest_cures=smallest,
        battery_only=ground.battery_only,
        unknown=(*said, *_limits(standstills, ground)),
        charge_cycling=cycling,
        charge_cycling_evidence=evidence,
    )


def reason_counts(standstills: Sequence[Standstill]) -> dict[str, tuple[int, int, float]]:
    """Condition -> refusals where it failed, of those where it surely failed alone, idle seconds; most first."""
    counts: dict[str, tuple[int, int, float]] = {}
    for standstill in standstills:
        if standstill.outcome != "refused":
            continue
        for reason in standstill.reasons:
            refusals, sole, idle = counts.get(reason.condition, (0, 0, 0.0))
            counts[reason.condition] = (
                refusals + 1,
                sole + (standstill.verdict == "sole"),
                idle + idle_seconds(standstill),
            )
    return dict(sorted(counts.items(), key=lambda item: (-item[1][0], item[0])))


def _limits(standstills: Sequence[Standstill], ground: Ground) -> list[Text]:
    said = []
    if ground.moving is None and not ground.battery_only:
        said.append(Text("The log holds no vehicle speed: only stops that took place are seen, refused ones are not."))
    if ground.battery_only:
        said.append(
            Text(
                "The log holds neither engine nor vehicle speed: only stops that took place are seen, refused ones are "
                "not, and no reason but the battery's is offered."
            )
        )
    refused = [standstill for standstill in standstills if standstill.outcome == "refused"]
    open_ones = sum(standstill.verdict == "unknown" for standstill in refused)
    if open_ones:
        said.append(
            Text(
                "{n} of {refused} refusals stay unknown: nothing that can be seen failed, and not all can be seen.",
                {"n": open_ones, "refused": len(refused)},
            )
        )
    return said


class _Judge:
    """Turns candidates into judged standstills; the states of all conditions at all decisions are looked up at once."""

    def __init__(
        self,
        readings: Readings,
        rules: IdleStopRules,
        evaluated: tuple[Evaluated, ...],
        candidates: tuple[Candidate, ...],
    ) -> None:
        self._candidates = candidates
        self._refusing = tuple(one for one in evaluated if one.condition.applies_to != "restart")
        self._asking_judged = any(one.condition.role in DRIVER_ROLES for one in self._refusing)
        self._word = VehicleWord(readings, rules)
        self._endings = Endings(readings, rules, evaluated, self._word)
        decisions = np.array([candidate.decision_ns for candidate in candidates], dtype=np.int64)
        begins = np.array([candidate.stop[0] if candidate.stop else 0 for candidate in candidates], dtype=np.int64)
        self._at_decision = self._states(decisions)
        self._at_stop = self._states(begins)

    def _states(self, at_ns: np.ndarray) -> Int8Array:
        if not self._refusing:
            return np.empty((0, len(at_ns)), dtype=np.int8)
        return np.stack([one.steps.at(at_ns) for one in self._refusing])

    def judge(self, index: int) -> Standstill:
        candidate = self._candidates[index]
        if candidate.stop is not None:
            return self._stopped(index, candidate, candidate.stop)
        if candidate.not_sought_because is not None:
            return Standstill(
                candidate.start_ns,
                candidate.end_ns,
                candidate.decision_ns,
                "not_sought",
                "unknown",
                not_sought_because=candidate.not_sought_because,
            )
        return self._refused(index, candidate)

    def _stopped(self, index: int, candidate: Candidate, stop: tuple[int, int]) -> Standstill:
        """A stop that took place; not explained where a condition failed at the decision and still as it began."""
        ending = self._endings.judge(*stop)
        unknown = self._unknown(index)
        against = (self._at_decision[:, index] == FAILING) & (self._at_stop[:, index] == FAILING)
        cut = ending.ended_by == "system"
        return Standstill(
            candidate.start_ns,
            candidate.end_ns,
            candidate.decision_ns,
            "cut_short" if cut else "stopped",
            ending.ended_by,
            reasons=ending.reasons,
            unknown_conditions=ending.unknown_conditions if cut else unknown,
            verdict=ending.verdict,
            explained=ending.explained and not bool(against.any()),
            stop_start_ns=stop[0],
            stop_end_ns=stop[1],
        )

    def _refused(self, index: int, candidate: Candidate) -> Standstill:
        told = Told()
        if self._word.speaks:
            told = self._word.at(candidate.decision_ns, candidate.end_ns, self._refusing)
        reasons = self._reasons(index, candidate.decision_ns, told)
        unknown = [] if told.inhibited is False else list(self._unknown(index, told))
        if candidate.arming_unknown:
            unknown.append(ARMING)
        if candidate.asking_unknown and not reasons and not self._asking_judged:
            unknown.append(ASKING)
        verdict = _verdict(reasons, unknown)
        return Standstill(
            candidate.start_ns,
            candidate.end_ns,
            candidate.decision_ns,
            "refused",
            "unknown",
            reasons=reasons,
            unknown_conditions=tuple(unknown),
            verdict=verdict,
            explained=bool(reasons),
        )

    def _reasons(self, index: int, decision_ns: int, told: Told) -> tuple[Reason, ...]:
        """What failed at the decision; the vehicle's word comes first, it confirms, adds or denies."""
        failing = [
            self._refusing[place].reason(decision_ns)
            for place in np.flatnonzero(self._at_decision[:, index] == FAILING)
        ]
        kept = [reason for reason in failing if not _denied(reason, told)]
        failed = [confirmed(reason) if reason.group in told.groups else reason for reason in kept]
        names = {reason.condition for reason in failed}
        covered = {reason.group for reason in failed}
        added = [
            reason
            for reason in told.reasons
            if reason.condition not in names and (reason.role == "idle_stop_reason" or reason.group not in covered)
        ]
        return tuple(sorted([*added, *failed], key=lambda reason: not reason.told_by_vehicle))

    def _unknown(self, index: int, told: Told | None = None) -> tuple[str, ...]:
        denied = told.denied if told is not None else frozenset()
        return tuple(
            self._refusing[place].condition.name
            for place in np.flatnonzero(self._at_decision[:, index] == UNKNOWN)
            if self._refusing[place].condition.group not in denied
        )


def _denied(reason: Reason, told: Told) -> bool:
    """Whether the vehicle says that this does not inhibit. What the driver does is never covered by its bits."""
    return reason.group != "driver" and (reason.group in told.denied or told.inhibited is False)


def _verdict(reasons: Sequence[Reason], unknown: Sequence[str]) -> Verdict:
    if len(reasons) > 1:
        return "multiple"
    if reasons:
        return "probable" if unknown else "sole"
    return "unknown" if unknown else "contradicted"
