"""What the real rules are: the levels at which this kind of vehicle decides, learnt from the decisions it took.

What is taken for sure: a stop shows that every condition was met just then. A refusal is laid to a condition only where
nothing else that is known could have caused it. Nothing is taken from the platform's own levels but which of several
possible causes of a refusal is the likely one.

Two levels are told apart. The stop level: the value below which (for `at_least`) a condition that was met begins to
fail. The release level: the value at which one that failed is met again. Without hysteresis they are one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from idle_stop.decisions import Decisions, is_numeric
from idle_stop.steps import FAILING, UNKNOWN
from signal_defs.errors import UsageError
from signal_defs.platform import Condition
from signal_defs.roles import ROLES
from signal_defs.text import Text

Fit = Literal["fits", "too_strict", "too_lax", "too_little_data"]
FEW = 2  # a single decision against a rule may be a disturbance; common practice, no source
_SHOWN = 10  # decisions before "never mattered" is said; common practice, no source


@dataclass(frozen=True, slots=True)
class Interval:
    """A level lies between low and high, in the role's unit; an infinite end is open."""

    low: float
    high: float

    @property
    def is_closed(self) -> bool:
        return math.isfinite(self.low) and math.isfinite(self.high)

    @classmethod
    def turned_back(cls, sign: float, low: float, high: float) -> Interval:
        """The interval of values that were turned so that more is better; see `sign_of`."""
        return cls(low, high) if sign > 0 else cls(-high, -low)


@dataclass(frozen=True, slots=True)
class LearnedThreshold:
    """One numeric condition as the decisions show it.

    stop_level, release_level: where the two levels lie. has_hysteresis: refused at a value at least as good as one at
    which it stopped, so two levels are proven. stops: stops with the value known. refusals: refusals laid to it alone.
    against_file: decisions that the platform's level contradicts. fit: the platform's level is within the interval
    (one step allowed), too strict (stops were seen where it forbids them), or too lax. step: the signal's resolution.
    level, hysteresis: proposed, None where the data does not carry a proposal.
    """

    condition: Condition
    stop_level: Interval
    release_level: Interval
    has_hysteresis: bool
    stops: int
    refusals: int
    against_file: int
    step: float
    fit: Fit
    level: float | None
    hysteresis: float | None

    @property
    def unit(self) -> str:
        return ROLES[self.condition.role].unit if self.condition.role in ROLES else ""

    @property
    def in_file(self) -> float:
        """The platform's level."""
        return level_of(self.condition)


@dataclass(frozen=True, slots=True)
class LearnedRules:
    """What the decisions of one or many recordings of a platform say of its rules.

    never_mattered: conditions that were visible at ten decisions or more and failed at none. never_visible: those
    whose role was at no decision known. ignored: flags and states that failed at stops all the same, and how often.
    unexplained: refusals with every condition visible that none can have caused; two or more show that there is a
    condition the platform does not name (`has_invisible`).
    """

    thresholds: tuple[LearnedThreshold, ...]
    decisions: int
    stops: int
    never_mattered: tuple[str, ...]
    never_visible: tuple[str, ...]
    ignored: tuple[tuple[str, int], ...]
    unexplained: int

    @property
    def has_invisible(self) -> bool:
        return self.unexplained >= FEW

    @property
    def wrong(self) -> tuple[Text, ...]:
        """What the platform file gets wrong, one sentence each."""
        said = [
            Text(
                "{condition}: {n} decisions contradict the {level:g} {unit} of the platform.",
                {"condition": one.condition.name, "n": one.against_file, "level": one.in_file, "unit": one.unit},
            )
            for one in self.thresholds
            if one.fit in {"too_strict", "too_lax"}
        ]
        said += [
            Text("{condition}: the engine was stopped {n} times although it failed.", {"condition": name, "n": n})
            for name, n in self.ignored
        ]
        return tuple(said)


def learn_thresholds(cases: Sequence[Decisions]) -> LearnedRules:
    """Learn from the decisions of one recording, or of many of the same platform, whose intervals then tighten.

    Raises UsageError where there is no case or the cases do not have the same conditions.
    """
    if not cases or any(case.conditions != cases[0].conditions for case in cases):
        raise UsageError(
            "Rules are learnt from recordings of one platform.",
            mend="Give at least one log, and only logs that are read with the same platform.",
        )
    conditions = cases[0].conditions
    ceiling = [_ceiling(cases, place) for place in range(len(conditions))]
    ignored = _ignored(cases)
    causes = [_causes(case, ceiling, {name for name, _ in ignored}) for case in cases]
    stopped = sum(int(case.stopped.sum()) for case in cases)
    mattered = {
        condition.name
        for case in cases
        for place, condition in enumerate(conditions)
        if (case.state[:, place] == FAILING).any() or case.told[:, place].any()
    }
    mattered |= {conditions[place].name for sole, _ in causes for place in np.flatnonzero(sole.any(axis=0))}
    seen = [sum(int((case.state[:, place] != UNKNOWN).sum()) for case in cases) for place in range(len(conditions))]
    refusing = any(not case.stopped.all() for case in cases)  # the battery's line alone shows no refusal
    return LearnedRules(
        thresholds=tuple(
            _learned(cases, [sole[:, place] for sole, _ in causes], place)
            for place, condition in enumerate(conditions)
            if is_numeric(condition)
        ),
        decisions=sum(len(case.stopped) for case in cases),
        stops=stopped,
        never_mattered=tuple(
            condition.name
            for place, condition in enumerate(conditions)
            if refusing and seen[place] >= _SHOWN and condition.name not in mattered
        ),
        never_visible=tuple(condition.name for place, condition in enumerate(conditions) if not seen[place]),
        ignored=ignored,
        unexplained=sum(int(unexplained.sum()) for _, unexplained in causes),
    )


def sign_of(condition: Condition) -> float:
    """Turns values so that more is better: 1 for at_least, -1 for at_most."""
    return 1.0 if condition.at_least is not None else -1.0


def level_of(condition: Condition) -> float:
    """The platform's level of a numeric condition."""
    level = condition.at_least if condition.at_least is not None else condition.at_most
    assert level is not None
    return level


def _turned(case: Decisions, place: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Value (low, high), lowest and highest since the decision before, turned so that more is better; (n,) each."""
    columns = [table[:, place] for table in (case.value_low, case.value_high, case.lowest, case.highest)]
    if sign_of(case.conditions[place]) > 0:
        return columns[0], columns[1], columns[2], columns[3]
    return -columns[1], -columns[0], -columns[3], -columns[2]


def _ceiling(cases: Sequence[Decisions], place: int) -> float:
    """The worst value at which the engine was stopped: no stop level lies above it. Infinite without a stop."""
    if not is_numeric(cases[0].conditions[place]):
        return math.inf
    values = np.concatenate([_turned(case, place)[1][case.stopped] for case in cases])
    values = values[np.isfinite(values)]
    return float(values.min()) if len(values) else math.inf


def _ignored(cases: Sequence[Decisions]) -> tuple[tuple[str, int], ...]:
    """Flags and states that failed at stops all the same, at least twice."""
    found = []
    for place, condition in enumerate(cases[0].conditions):
        if is_numeric(condition):
            continue
        failing = sum(int((case.state[case.stopped, place] == FAILING).sum()) for case in cases)
        if failing >= FEW:
            found.append((condition.name, failing))
    return tuple(found)


def _causes(case: Decisions, ceiling: Sequence[float], ignored: set[str]) -> tuple[BoolArray, BoolArray]:
    """Refusals laid to one condition, (n, k), and refusals that nothing visible can have caused, (n,).

    A numeric condition can be the cause where its value has, since the last stop, been worse than at any stop seen. A
    flag or state can where it failed, unless it was ignored. Of several the one that fails by the platform's rules is.
    """
    n, k = case.state.shape
    possible = np.zeros((n, k), dtype=np.bool_)
    visible: BoolArray = np.array(~case.hidden, dtype=np.bool_)
    for place, condition in enumerate(case.conditions):
        if is_numeric(condition):
            worst = _worst_since_stop(case, place)
            possible[:, place] = ~(worst >= ceiling[place])
            visible &= np.isfinite(case.value_low[:, place])
        else:
            possible[:, place] = (case.state[:, place] == FAILING) & (condition.name not in ignored)
            visible &= case.state[:, place] != UNKNOWN
    refused = ~case.stopped
    possible &= refused[:, None]
    by_rule = possible & (case.state == FAILING)
    chosen = np.where(_count(by_rule)[:, None] > 0, by_rule, possible)
    sole = chosen & ((_count(chosen) == 1) & visible)[:, None]
    told = _count(case.told)
    named = case.told & (told == 1)[:, None] & (case.state != UNKNOWN)
    sole = np.where(told[:, None] > 0, named, sole)
    return sole, refused & visible & (_count(possible) == 0) & (told == 0)


def _count(table: BoolArray) -> Int64Array:
    """(n,) true places in each row of a table, (n, k)."""
    return np.asarray(table.sum(axis=1), dtype=np.int64)


def _worst_since_stop(case: Decisions, place: int) -> FloatArray:
    """The worst value from the last stop to each decision, (n,), turned; before the first stop from the first decision.

    NaN where the signal was lost on the way.
    """
    low, _, lowest, _ = _turned(case, place)
    worst = np.full(len(low), np.nan)
    running = math.nan
    for row in range(len(low)):
        fresh = row == 0 or case.stopped[row - 1]
        step = low[row] if row == 0 else lowest[row]
        running = float(step) if fresh else float(np.minimum(running, step))
        worst[row] = running
    return worst


def _learned(cases: Sequence[Decisions], sole: Sequence[BoolArray], place: int) -> LearnedThreshold:
    condition = cases[0].conditions[place]
    sign = sign_of(condition)
    stop_low, stop_high, release_low, release_high = -math.inf, math.inf, -math.inf, math.inf
    stops = forbidden = unforeseen = 0
    level = sign * level_of(condition)
    step = float(np.nanmin([case.step[place] for case in cases] + [math.inf]))
    slack = step if math.isfinite(step) else 0.0
    for case, mine in zip(cases, sole, strict=True):
        low, high, _, highest = _turned(case, place)
        worst = _worst_since_stop(case, place)
        known = case.stopped & np.isfinite(high)
        stops += int(known.sum())
        stop_high = min(stop_high, float(np.min(high[known], initial=math.inf)))
        forbidden += int((high[known] < level - slack).sum())
        # A refusal after a stop shows that the condition, met at the stop, has since been crossed.
        crossed = mine & np.maximum.accumulate(np.append(np.False_, case.stopped[:-1])) & np.isfinite(worst)
        stop_low = max(stop_low, float(np.max(worst[crossed], initial=-math.inf)))
        # Any refusal shows that the condition was not met again yet; one with a duration may just have been too young.
        failing = mine & np.isfinite(low) & (condition.for_s <= 0.0)
        release_low = max(release_low, float(np.max(low[failing], initial=-math.inf)))
        unforeseen += int(
            ((crossed & (worst > level + slack)) | (failing & (low > level + condition.hysteresis + slack))).sum()
        )
        back = np.append(np.False_, mine[:-1]) & case.stopped & np.isfinite(highest)
        release_high = min(release_high, float(np.min(highest[back], initial=math.inf)))
    fit: Fit = "too_little_data"
    refusals = sum(int(mine.sum()) for mine in sole)
    if forbidden >= FEW:
        fit = "too_strict"
    elif unforeseen >= FEW:
        fit = "too_lax"
    elif refusals and stops:
        fit = "fits"
    two_levels = release_low > stop_high + slack  # within a step the signal's own rounding may be all there is
    bounds = _Bounds(stop_low, stop_high, max(release_low, stop_low), release_high)
    proposed, width = _proposed(bounds, condition, level, fit, two_levels=two_levels)
    return LearnedThreshold(
        condition=condition,
        stop_level=Interval.turned_back(sign, bounds.stop_low, bounds.stop_high),
        release_level=Interval.turned_back(sign, bounds.release_low, bounds.release_high),
        has_hysteresis=two_levels,
        stops=stops,
        refusals=refusals,
        against_file=forbidden + unforeseen,
        step=step if math.isfinite(step) else math.nan,
        fit=fit,
        level=None if proposed is None else sign * proposed,
        hysteresis=width,
    )


@dataclass(frozen=True, slots=True)
class _Bounds:
    """Where the two levels lie, turned so that more is better."""

    stop_low: float
    stop_high: float
    release_low: float
    release_high: float


def _proposed(
    bounds: _Bounds, condition: Condition, level: float, fit: Fit, *, two_levels: bool
) -> tuple[float | None, float | None]:
    """A level and a hysteresis to propose, turned; None where the data carries none or the platform's may stay.

    Without hysteresis in the platform and in the data one level has to explain both kinds of evidence.
    """
    one_level = condition.hysteresis <= 0.0 and not two_levels
    low = bounds.release_low if one_level else bounds.stop_low
    proposed: float | None
    if fit == "fits":
        proposed = level
    elif math.isfinite(low) and math.isfinite(bounds.stop_high):
        proposed = _round_in(low, bounds.stop_high)
    elif fit == "too_strict":
        proposed = bounds.stop_high
    else:
        proposed = level if fit == "too_lax" else None
    if one_level or proposed is None or fit == "too_little_data":
        return proposed, None
    release = proposed + condition.hysteresis
    if bounds.release_low <= release <= bounds.release_high:
        return proposed, condition.hysteresis
    if math.isfinite(bounds.release_high):
        release = _round_in(bounds.release_low, bounds.release_high)
    elif release < bounds.release_low:
        release = bounds.release_low
    return proposed, round(max(release - proposed, 0.0), 6)


def _round_in(low: float, high: float) -> float:
    """The roundest number above `low` and not above `high`; `high` where the two have crossed."""
    if not low < high:
        return high
    for digits in range(-3, 7):
        unit = 10.0**-digits
        for part in (5.0, 2.0, 1.0):
            number = math.floor(high / (part * unit) + 1e-9) * part * unit
            if low < number <= high + 1e-9:
                return round(number, 9)
    return high
