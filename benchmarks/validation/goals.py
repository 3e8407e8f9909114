"""Each goal of the estimator, what was found on a set of truths, and whether it is met: the short table."""

from __future__ import annotations

from collections.abc import Sequence
from operator import attrgetter

import numpy as np

from benchmarks.validation.result import HIDDEN, Result, of_all, told
from benchmarks.validation.table import (
    BAND_GOAL,
    EARLY_GOAL,
    KNOWN_GOAL_V,
    NEXT_GOAL_V,
    RESISTANCE_GOAL,
    WIDTH_GOAL,
    as_markdown,
)
from estimator.estimate import Figure

Row = tuple[str, str, str, str]
SOURCES_LEAVE = {"agm": 9.0, "flooded": 7.0, "efb": 9.0}  # points either way that a type's curve is disputed by


def goals_table(own: Sequence[Result], by_type: Sequence[Result]) -> str:
    """Goals with the battery's own curve, and those of the bands with the type's."""
    open_to_voltage = [one for one in own if one.scenario.group != HIDDEN]
    hidden = [one for one in own if one.scenario.group == HIDDEN]
    rows = [
        *_charge_rows(open_to_voltage),
        *_band_rows("", open_to_voltage),
        *_band_rows("type's curve: ", [one for one in by_type if one.scenario.group != HIDDEN], by_type=True),
        *_hidden_rows(hidden),
        *_capacity_rows(own, open_to_voltage),
        *_crank_rows(own),
    ]
    return as_markdown(("what", "goal", "found", ""), rows)


def _row(what: str, goal: str, found: str, met: bool) -> Row:
    return what, goal, found, "met" if met else "**missed**"


def _charge_rows(results: Sequence[Result]) -> list[Row]:
    """RMSE and worst error of each group of truths: the worst truth of the group."""
    rows = []
    for group in dict.fromkeys(one.scenario.group for one in results):
        members = [one for one in results if one.scenario.group == group]
        goal = members[0].scenario.goal
        if goal is None:
            continue
        rmse, worst = max(one.rmse for one in members), max(one.worst for one in members)
        met = rmse <= goal[0] and worst <= goal[1]
        what = f"charge, {group}: RMSE, worst of {len(members)} truths [points]"
        rows.append(_row(what, f"{goal[0]:.1f}, {goal[1]:.1f}", f"{rmse:.2f}, {worst:.1f}", met))
    return rows


def _band_rows(prefix: str, results: Sequence[Result], *, by_type: bool = False) -> list[Row]:
    """Coverage and width of the charge's band. by_type: with the type's curve, whose sources set the width."""
    if not results:
        return []
    least = min(results, key=lambda one: one.held)
    inside = float(np.mean(of_all([run for one in results for run in one.runs], "inside")))
    rows = [
        _row(
            f"{prefix}charge's band holds the truth, all; least",
            "90 to 99 %; 90 %",
            f"{100 * inside:.1f} %; {100 * least.held:.1f} % ({least.scenario.name})",
            inside >= BAND_GOAL[0] and least.held >= BAND_GOAL[0],
        ),
        _width_by_sources(prefix, results) if by_type else _width_by_need(prefix, results),
    ]
    early = [one for one in results if len(of_all(one.runs, "early_inside"))]
    if early:
        worst = min(early, key=lambda one: one.held_early)
        found = f"{100 * worst.held_early:.1f} % ({worst.scenario.name})"
        met = worst.held_early >= EARLY_GOAL
        rows.append(_row(f"{prefix}before a long rest it holds, least", "95 %", found, met))
    return rows


def _width_by_need(prefix: str, results: Sequence[Result]) -> Row:
    widest = max(results, key=lambda one: one.over_need)
    found = f"{widest.over_need:.1f} ({widest.scenario.name})"
    what = f"{prefix}its half width over the 95 % error, widest"
    return _row(what, f"{WIDTH_GOAL:.0f}", found, widest.over_need <= WIDTH_GOAL)


def _width_by_sources(prefix: str, results: Sequence[Result]) -> Row:
    """Of all batteries of a type together, for which its curve stands; no wider than the sources of it disagree."""
    kinds = [kind for kind in SOURCES_LEAVE if any(one.truth.kind == kind for one in results)]
    half = {
        kind: float(of_all([run for one in results if one.truth.kind == kind for run in one.runs], "half").mean())
        for kind in kinds
    }
    return _row(
        f"{prefix}its mean half width [points]",
        ", ".join(f"{SOURCES_LEAVE[kind]:.0f} ({kind})" for kind in kinds),
        ", ".join(f"{width:.1f} ({kind})" for kind, width in half.items()),
        all(width <= SOURCES_LEAVE[kind] for kind, width in half.items()),
    )


def _hidden_rows(results: Sequence[Result]) -> list[Row]:
    """The same where fade hides from the voltage: apart where the recording shows it, and where nothing does."""
    rows = []
    for what, shown in (("shown by the recording", True), ("shown by nothing", False)):
        members = [one for one in results if all(run.fade == "seen" for run in one.runs) is shown]
        if members:
            least = min(members, key=lambda one: one.held)
            found = f"{100 * least.held:.1f} % ({least.scenario.name})"
            name = f"hidden fade {what}: charge's band holds, least of {len(members)} truths"
            rows.append(_row(name, "90 %", found, least.held >= BAND_GOAL[0]))
            if shown:
                widest = max(members, key=lambda one: one.over_need)
                name, goal, met = "its half width over the 95 % error, widest", "2", widest.over_need <= WIDTH_GOAL
                found = f"{widest.over_need:.1f} ({widest.scenario.name})"
            else:
                held = {one.scenario.name: float(of_all(one.runs, "inside_if_hidden").mean()) for one in members}
                name, goal = "the band that allows for hidden fade holds", "90 %"
                met = min(held.values()) >= BAND_GOAL[0]
                found = ", ".join(f"{100 * share:.1f} % ({truth})" for truth, share in held.items())
            rows.append(_row(name, goal, found, met))
    return rows


def _capacity_rows(results: Sequence[Result], open_to_voltage: Sequence[Result]) -> list[Row]:
    """The acid's capacity by its own truth where that is the battery's; the battery's everywhere."""
    rows = []
    for offer, much, goal in (("10 rests over 20 points", True, 0.05), ("less", False, 0.10)):
        offered = [one for one in open_to_voltage if one.offers_much is much]
        figures = told(offered, lambda run: run.acid_capacity)
        if figures:
            worst = max(abs(figure.value / true - 1.0) for figure, true in figures)
            what = f"capacity by the acid with {offer}, worst of {len(figures)}"
            rows.append(_row(what, f"{100 * goal:.0f} %", f"{100 * worst:.1f} %", worst <= goal))
    by_acid = told(open_to_voltage, lambda run: run.acid_capacity)
    if by_acid:
        rows.append(_held("its band holds", by_acid))
        rows.append(_width("its half width over the 95 % error", by_acid))
    alike = told(results, lambda run: run.capacity if run.fade in {"possible", "likely"} else None)
    shown = told(results, lambda run: run.capacity if run.fade in {"seen", "excluded"} else None)
    for what, figures in (("not shown", alike), ("shown or excluded", shown)):
        if figures:
            rows.append(_held(f"capacity, hidden fade {what}: band holds", figures))
            rows.append(_width("its half width over the 95 % error of all that look alike", figures))
    return rows


def _held(what: str, figures: Sequence[tuple[Figure, float]]) -> Row:
    held = sum(figure.low <= true <= figure.high for figure, true in figures)
    return _row(what, "90 %", f"{held} of {len(figures)}", held >= BAND_GOAL[0] * len(figures))


def _width(what: str, figures: Sequence[tuple[Figure, float]]) -> Row:
    half = float(np.mean([0.5 * (figure.high - figure.low) / true for figure, true in figures]))
    need = float(np.quantile([abs(figure.value / true - 1.0) for figure, true in figures], 0.95))
    return _row(what, f"{WIDTH_GOAL:.0f}", f"{half / need:.1f} ({100 * half:.0f} %)", half <= WIDTH_GOAL * need)


def _crank_rows(results: Sequence[Result]) -> list[Row]:
    """Resistance, and the next crank's lowest voltage."""
    runs = [run for one in results for run in one.runs]
    ohm = np.abs(of_all(runs, "resistance_errors"))
    median, worst = float(np.median(ohm)), float(ohm.max())
    met = median <= RESISTANCE_GOAL[0] and worst <= RESISTANCE_GOAL[1]
    pooled = [(run.pooled, one.truth.resistance_mohm) for one in results for run in one.runs if run.pooled.is_known]
    rows = [
        _row("resistance of cranks: median, worst", "3 %, 8 %", f"{100 * median:.1f} %, {100 * worst:.1f} %", met),
        _held("resistance at 25 degC and full: band holds", pooled),
        _width("its half width over the 95 % error", pooled),
    ]
    ahead = np.concatenate([run.starts.in_advance.errors for run in runs])
    if len(ahead):
        mean = max(results, key=lambda one: one.ahead)
        worse = [one.scenario.name for one in results if one.ahead > one.as_last]
        inside, known = (
            float(np.concatenate([of(run.starts).inside for run in runs]).mean())
            for of in (attrgetter("in_advance"), attrgetter("current_known"))
        )
        least = max(results, key=lambda one: one.current_known)
        found = f"{1e3 * float(np.abs(ahead).mean()):.0f} mV, {1e3 * mean.ahead:.0f} mV ({mean.scenario.name}; by "
        found += f"chance of its few starts ± {1e3 * mean.ahead_by_chance:.0f} mV)"
        rows += [
            _row("next crank: mean error, worst truth", "120 mV", found, mean.ahead <= NEXT_GOAL_V),
            _row("better than as last time, except", "-", ", ".join(worse) or "-", not worse),
            _row("its band holds", "90 to 99 %", f"{100 * inside:.1f} %", inside >= BAND_GOAL[0]),
            _row(
                "with the crank's current known: mean error, worst truth",
                "60 mV",
                f"{1e3 * least.current_known:.0f} mV ({least.scenario.name})",
                least.current_known <= KNOWN_GOAL_V,
            ),
            _row("its band holds", "90 to 99 %", f"{100 * known:.1f} %", known >= BAND_GOAL[0]),
        ]
    draws = [run.starts for run in runs if run.starts.draw.is_known]
    if draws:
        held = sum(one.draw_held for one in draws)
        worst_ma = max(abs(one.draw.value - one.draw_ma) for one in draws)
        found = f"{held} of {len(draws)}; {worst_ma:.0f} mA"
        rows.append(_row("draw asleep: band holds; worst error", "90 %; -", found, held >= BAND_GOAL[0] * len(draws)))
    return rows
