"""Before and after a repair: what changed on the same figures, and with what certainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from estimator.estimate import Figure, unknown_figure
from idle_stop.account import Standstill
from idle_stop.analysis import Analysis, Finding
from idle_stop.could_show import lacking
from idle_stop.shares import wilson
from signal_defs.text import Text

Verdict = Literal["better", "worse", "no difference", "too early to say"]
Change = Literal["rose", "fell", "within the bands", "cannot be told"]
State = Literal["went", "not seen again", "stayed", "came"]

CLASS_K = 10.0  # temperatures within a class of ten kelvin are compared with each other; common practice, no source
FEW = 20  # standstills; with fewer a rate is not told; common practice, no source
MOST = 300  # standstills beyond which nobody will record
FIGURES = (
    *("soc_min", "capacity_ah", "soh_percent", "resistance_mohm", "load_step_resistance_mohm", "quiescent_ma"),
    *("current_offset_a", "charge_acceptance_a_per_ah", "next_crank_min_v"),
)
WARMTH_MATTERS = frozenset({"charge_acceptance_a_per_ah", "next_crank_min_v", "load_step_resistance_mohm"})
PENDING = frozenset({"relearn_pending", "sensor_reset_unlearned"})


@dataclass(frozen=True, slots=True)
class FigureChange:
    """One figure of the battery, named as in `BatteryEstimate`. why: what forbids the comparison, if anything does."""

    name: str
    before: Figure
    after: Figure
    change: Change
    why: Text | None = None


@dataclass(frozen=True, slots=True)
class FindingChange:
    """One finding. state: "not seen again" where the recording after could not have shown it; why says what it lacks.

    sure: the finding was firm where it was there, and what is said of its going or coming is more than lack of data.
    """

    code: str
    state: State
    sure: bool
    before: Finding | None
    after: Finding | None
    why: Text | None = None


@dataclass(frozen=True, slots=True)
class RefusalChange:
    """Refused share of the stops to be expected, 0 to 1, in temperature classes that both recordings hold.

    difference: after minus before, with its 95 % interval (Newcombe, Statist. Med. 17 (1998) 873, method 10, from
    memory; the standstills of one drive are taken as independent). counted: standstills before and after.
    left_out: those in classes that the other recording lacks.
    """

    before: Figure
    after: Figure
    difference: Figure
    counted: tuple[int, int]
    left_out: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a repair changed. reasons: why the verdict is what it is. cautions: what makes the two hard to compare."""

    verdict: Verdict
    reasons: tuple[Text, ...]
    refusals: RefusalChange
    figures: tuple[FigureChange, ...]
    findings: tuple[FindingChange, ...]
    cautions: tuple[Text, ...] = ()


def compare(before: Analysis, after: Analysis) -> Comparison:
    """The same vehicle before and after a repair; "too early to say" is an answer."""
    warmth = (_median_temperature(before), _median_temperature(after))
    refusals = _refusals(before, after)
    verdict, reasons = _verdict(refusals, before, after)
    return Comparison(
        verdict=verdict,
        reasons=reasons,
        refusals=refusals,
        figures=tuple(_figure(name, before, after, warmth) for name in FIGURES),
        findings=_findings(before, after),
        cautions=_cautions(before, after, refusals, warmth),
    )


def _verdict(refusals: RefusalChange, before: Analysis, after: Analysis) -> tuple[Verdict, tuple[Text, ...]]:
    difference = refusals.difference
    if difference.high < 0:
        return "better", (
            Text("That is more than chance explains: the 95 % interval of the difference lies wholly below zero."),
        )
    if any(one.code in PENDING for one in after.findings):
        return "too early to say", (
            Text("The vehicle has not relearned the battery yet: leave it at rest for a night, then record again."),
        )
    if difference.low > 0:
        return "worse", (
            Text("That is more than chance explains: the 95 % interval of the difference lies wholly above zero."),
        )
    if before.account.battery_only or after.account.battery_only:
        return "too early to say", (
            Text("Refusals cannot be seen in the battery's signals alone: record the vehicle's own bus as well."),
        )
    if not difference.is_known:
        return "too early to say", (
            Text("No standstills of like temperature are in both recordings: drive the same route again."),
        )
    needed = _needed(refusals)
    if refusals.counted[1] < FEW or needed is not None:
        said = Text(
            "Only {n} standstills after the repair, {m} before: the difference may be chance.",
            {"n": refusals.counted[1], "m": refusals.counted[0]},
        )
        more = Text("If it goes on like this, {n} standstills after the repair will decide.", {"n": needed})
        return "too early to say", (said, more) if needed is not None else (said,)
    return "no difference", (
        Text(
            "The 95 % interval of the difference holds zero, and at these rates more standstills would not change that."
        ),
    )


def _needed(refusals: RefusalChange) -> int | None:
    """Standstills after the repair that would decide at the rates seen; None beyond reason, or with equal rates."""
    for n in range(max(refusals.counted[1], 1), MOST + 1):
        difference = _difference(refusals.before, wilson(round(refusals.after.value * n), n))
        if difference.low > 0 or difference.high < 0:
            return n
    return None


def _refusals(before: Analysis, after: Analysis) -> RefusalChange:
    sides = [_by_class(one) for one in (before, after)]
    shared = sides[0].keys() & sides[1].keys()
    counted, shares, left_out = [], [], []
    for side in sides:
        asked = [one for name in sorted(shared, key=str) for one in side[name]]
        counted.append(len(asked))
        left_out.append(sum(map(len, side.values())) - len(asked))
        refused = sum(one.outcome == "refused" for one in asked)
        shares.append(
            wilson(refused, len(asked)) if asked else unknown_figure(Text("No standstill of like temperature."))
        )
    difference = _difference(*shares) if shared else unknown_figure(Text("No standstill of like temperature."))
    return RefusalChange(shares[0], shares[1], difference, (counted[0], counted[1]), (left_out[0], left_out[1]))


def _by_class(analysis: Analysis) -> dict[int | None, list[Standstill]]:
    """Standstills at which a stop was to be expected, by classes of battery temperature; None where unknown.

    None at all where the recording holds the battery's signals only: a refusal cannot be seen there.
    """
    asked = () if analysis.account.battery_only else analysis.account.asked
    trace = analysis.recording.traces.get("battery_temperature")
    at_ns = np.array([one.decision_ns for one in asked], dtype=np.int64)
    shown = np.full(len(asked), np.nan) if trace is None else trace.held(at_ns, 600.0)
    classes: dict[int | None, list[Standstill]] = {}
    for one, celsius in zip(asked, shown, strict=True):
        classes.setdefault(math.floor(celsius / CLASS_K) if math.isfinite(celsius) else None, []).append(one)
    return classes


def _difference(before: Figure, after: Figure) -> Figure:
    value = after.value - before.value
    down = math.hypot(after.value - after.low, before.high - before.value)
    up = math.hypot(after.high - after.value, before.value - before.low)
    return Figure(value, value - down, value + up)


def _figure(name: str, before: Analysis, after: Analysis, warmth: tuple[float, float]) -> FigureChange:
    one: Figure = getattr(before.estimate, name)
    other: Figure = getattr(after.estimate, name)
    if not (one.is_known and other.is_known):
        return FigureChange(name, one, other, "cannot be told", one.unknown or other.unknown)
    if name in WARMTH_MATTERS and not abs(warmth[0] - warmth[1]) <= CLASS_K:
        return FigureChange(
            name, one, other, "cannot be told", Text("It depends on temperature, and that was not the same.")
        )
    change: Change = "rose" if other.low > one.high else "fell" if other.high < one.low else "within the bands"
    return FigureChange(name, one, other, change)


def _findings(before: Analysis, after: Analysis) -> tuple[FindingChange, ...]:
    had, has = ({one.code: one for one in side.findings} for side in (before, after))
    return tuple(_finding(code, had.get(code), has.get(code), before, after) for code in dict.fromkeys([*had, *has]))


def _finding(code: str, had: Finding | None, has: Finding | None, before: Analysis, after: Analysis) -> FindingChange:
    if had is not None and has is not None:
        return FindingChange(code, "stayed", not has.possible, had, has)
    if had is not None:
        why = lacking(code, after, before)
        state: State = "went" if why is None else "not seen again"
        return FindingChange(code, state, why is None and not had.possible, had, None, why)
    assert has is not None
    why = lacking(code, before, after)
    return FindingChange(code, "came", why is None and not has.possible, None, has, why)


def _cautions(
    before: Analysis, after: Analysis, refusals: RefusalChange, warmth: tuple[float, float]
) -> tuple[Text, ...]:
    said = []
    if before.platform.sha256 != after.platform.sha256:
        said.append(Text("The two were made with different definitions; figures may differ for that alone."))
    if abs(warmth[0] - warmth[1]) > CLASS_K:
        said.append(
            Text("The battery was at {a:.0f} °C before and {b:.0f} °C after.", {"a": warmth[0], "b": warmth[1]})
        )
    if any(refusals.left_out):
        said.append(
            Text(
                "Standstills left out because the other recording has none at like temperature: {a} before, {b} after.",
                {"a": refusals.left_out[0], "b": refusals.left_out[1]},
            )
        )
    dated = after.recording.absolute_time and before.recording.absolute_time
    if dated and after.recording.start_ns < before.recording.end_ns:
        said.append(Text("The two recordings overlap in time: one is not after the other."))
    return tuple(said)


def _median_temperature(analysis: Analysis) -> float:
    trace = analysis.recording.traces.get("battery_temperature")
    good = trace.value[trace.valid] if trace is not None else np.empty(0)
    return float(np.median(good)) if len(good) else math.nan
