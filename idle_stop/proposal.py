"""A proposal for platform.toml: what the decisions show, as TOML with the evidence in comments. Nothing is changed."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass

from idle_stop.analysis import Analysis
from idle_stop.decisions import decisions_of
from idle_stop.restart_levels import RestartLevel, learn_restart_levels, stop_ends
from idle_stop.thresholds import Interval, LearnedRules, LearnedThreshold, learn_thresholds
from signal_defs.platform import Condition, IdleStopRules

_FIT = {
    "fits": "the platform's level fits",
    "too_strict": "the platform's level is too strict",
    "too_lax": "the platform's level is too lax",
    "too_little_data": "too little data to judge the platform's level",
}


@dataclass(frozen=True, slots=True)
class Proposal:
    """What was learnt: the levels for stopping, those for going on, and both as TOML text."""

    rules: LearnedRules
    restart_levels: tuple[RestartLevel, ...]
    toml: str


def propose(analyses: Sequence[Analysis]) -> Proposal:
    """Learn a platform's rules from one analysis or from many of the same platform.

    Raises UsageError where there is none, or where they do not share their conditions.
    """
    decisions = [decisions_of(a.recording, a.estimate, a.account, a.platform.idle_stop) for a in analyses]
    learned = learn_thresholds(decisions)
    rules = analyses[0].platform.idle_stop
    levels = learn_restart_levels([stop_ends(a.recording, a.estimate, a.account, rules) for a in analyses])
    return Proposal(learned, levels, toml_proposal(learned, rules, levels))


def toml_proposal(learned: LearnedRules, rules: IdleStopRules, restart_levels: Sequence[RestartLevel] = ()) -> str:
    """TOML text with one [[idle_stop.condition]] a condition of the platform, to be looked through and taken over."""
    going_on = {one.condition.name: one for one in restart_levels}
    by_name = {one.condition.name: one for one in learned.thresholds}
    lines = [
        f"# Learnt from {learned.decisions} decisions, {learned.stops} of them stops. Look it through before use.",
    ]
    if learned.unexplained:
        must = "must" if learned.has_invisible else "may"
        lines.append(
            f"# {learned.unexplained} refusals had every condition visible and none that can have caused them: "
            f"there {must} be a condition that is not named here."
        )
    for condition in rules.conditions:
        lines += ["", *_evidence(condition, by_name.get(condition.name), learned)]
        lines += [*_restart_evidence(going_on.get(condition.name)), *_entry(condition, by_name)]
    return "\n".join(lines) + "\n"


def _evidence(condition: Condition, one: LearnedThreshold | None, learned: LearnedRules) -> list[str]:
    said = []
    if one is not None:
        said.append(f"# {_FIT[one.fit]}: {one.in_file:g} {one.unit}".rstrip())
        said.append(
            f"# stop level {_written(one.stop_level)} from {one.stops} stops, {one.refusals} refusals laid to it"
        )
        if one.has_hysteresis:
            said.append(f"# release level {_written(one.release_level)}: refused at values as good as at some stops")
        if one.against_file:
            said.append(f"# {one.against_file} decisions contradict the platform's level")
    for name, n in learned.ignored:
        if name == condition.name:
            said.append(
                f"# the engine was stopped {n} times although this failed: is it a condition, is the flag right?"
            )
    if condition.name in learned.never_mattered:
        said.append("# failed at no decision: it never mattered here")
    if condition.name in learned.never_visible:
        said.append("# its role was never visible at a decision")
    return said


def _restart_evidence(one: RestartLevel | None) -> list[str]:
    if one is None:
        return []
    said = (
        f"# level for going on {_written(one.level)}: {one.outlasted} stops outlasted it, {one.forced} were ended by it"
    )
    return (
        [said] if one.fit != "too_strict" else [said, f"# {_FIT[one.fit]}: {one.against_file} stops went on beyond it"]
    )


def _entry(condition: Condition, learned: dict[str, LearnedThreshold]) -> list[str]:
    one = learned.get(condition.name)
    level = None if one is None else one.level
    hysteresis = condition.hysteresis if one is None or one.hysteresis is None else one.hysteresis
    lines = [
        "[[idle_stop.condition]]",
        f"name = {json.dumps(condition.name, ensure_ascii=False)}",
        f'group = "{condition.group}"',
        f'role = "{condition.role}"',
    ]
    if condition.at_least is not None:
        lines.append(f"at_least = {_number(condition.at_least if level is None else level)}")
    elif condition.at_most is not None:
        lines.append(f"at_most = {_number(condition.at_most if level is None else level)}")
    else:
        lines.append(f"is = {json.dumps(condition.equals, ensure_ascii=False)}")
    if hysteresis:
        lines.append(f"hysteresis = {_number(hysteresis)}")
    if condition.for_s:
        lines.append(f"for_s = {_number(condition.for_s)}")
    lines.append(f'applies_to = "{condition.applies_to}"')
    return lines


def _written(interval: Interval) -> str:
    if interval.is_closed:
        return f"between {interval.low:g} and {interval.high:g}"
    if math.isfinite(interval.low):
        return f"above {interval.low:g}"
    return f"below {interval.high:g}" if math.isfinite(interval.high) else "not bounded"


def _number(value: float) -> str:
    text = f"{value:.9g}"
    return text if any(mark in text for mark in ".en") else f"{text}.0"
