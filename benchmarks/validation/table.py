"""The table of the validation, as Markdown."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from benchmarks.validation.result import Result, of_all
from decoder.frames import FloatArray

CAPACITY_GOAL, RESISTANCE_GOAL, NEXT_GOAL_V = 0.10, (0.03, 0.08), 0.12
BAND_GOAL, WIDTH_GOAL, EARLY_GOAL = (0.90, 0.99), 2.0, 0.95


def charge_table(results: Sequence[Result]) -> str:
    """Charge: error after the first long rest, and whether the band holds; bold where a goal is missed."""
    head = (
        "truth", "RMSE", "goal", "worst", "goal", "band holds", "mean half width", "width over need",
        "before a long rest: band holds", "half width",
        "hidden fade",
    )  # fmt: skip
    rows = []
    for one in results:
        goal, early = one.scenario.goal, of_all(one.runs, "early_inside")
        rows.append((
            one.scenario.name,
            _marked(f"{one.rmse:.2f}", goal is None or one.rmse <= goal[0]),
            f"{goal[0]:.1f}" if goal else "-",
            _marked(f"{one.worst:.1f}", goal is None or one.worst <= goal[1]),
            f"{goal[1]:.1f}" if goal else "-",
            _marked(f"{100 * one.held:.1f} %", one.held >= BAND_GOAL[0]),
            f"{of_all(one.runs, 'half').mean():.1f}",
            _marked(f"{one.over_need:.1f}", one.over_need <= WIDTH_GOAL),
            _marked(f"{100 * one.held_early:.1f} %", one.held_early >= EARLY_GOAL) if len(early) else "-",
            f"{of_all(one.runs, 'early_half').mean():.1f}" if len(early) else "-",
            ", ".join(dict.fromkeys(run.fade for run in one.runs)),
        ))  # fmt: skip
    return as_markdown(head, rows)


def health_table(results: Sequence[Result]) -> str:
    """Capacity, resistance and the next crank; bold where a goal is missed."""
    head = (
        "truth", "capacity, true", "told in", "median", "worst error", "band holds", "R of cranks: median", "worst",
        "R at 25 degC, full: error", "band holds", "next crank: mean error", "as last time", "band holds",
    )  # fmt: skip
    rows = []
    for result in results:
        truth, runs = result.truth, result.runs
        told = [run.capacity for run in runs if run.capacity.is_known]
        off = [figure.value / truth.capacity_ah - 1.0 for figure in told]
        held = [figure.low <= truth.capacity_ah <= figure.high for figure in told]
        ohm = np.abs(of_all(runs, "resistance_errors"))
        pooled = [run.pooled for run in runs if run.pooled.is_known]
        ahead, last = np.abs(of_all(runs, "next_errors")), np.abs(of_all(runs, "last_errors"))
        inside = of_all(runs, "next_inside")
        rows.append((
            result.scenario.name,
            f"{truth.capacity_ah:.1f} Ah",
            f"{len(told)} of {len(runs)}",
            f"{100 * float(np.median(off)):+.1f} %" if off else "-",
            _marked(f"{100 * float(np.abs(off).max()):.1f} %", max(map(abs, off)) <= CAPACITY_GOAL) if off else "-",
            _marked(f"{sum(held)} of {len(held)}", sum(held) >= BAND_GOAL[0] * len(held)) if held else "-",
            _marked(f"{100 * float(np.median(ohm)):.1f} %", float(np.median(ohm)) <= RESISTANCE_GOAL[0]),
            _marked(f"{100 * ohm.max():.1f} %", float(ohm.max()) <= RESISTANCE_GOAL[1]),
            _percent(lambda one, true=truth.resistance_mohm: one.value / true - 1.0, pooled),
            f"{sum(one.low <= truth.resistance_mohm <= one.high for one in pooled)} of {len(pooled)}",
            _marked(f"{1e3 * ahead.mean():.0f} mV", _better(ahead, last)) if len(ahead) else "-",
            f"{1e3 * last.mean():.0f} mV" if len(last) else "-",
            f"{100 * inside.mean():.0f} %" if len(inside) else "-",
        ))  # fmt: skip
    return as_markdown(head, rows)


def _better(ahead: FloatArray, last: FloatArray) -> bool:
    return float(ahead.mean()) <= NEXT_GOAL_V and float(ahead.mean()) <= float(last.mean())


def _percent(of: Callable[..., float], figures: Sequence[object]) -> str:
    if not figures:
        return "-"
    values = [of(one) for one in figures]
    return f"{100 * float(np.median(values)):+.1f} %"


def _marked(text: str, met: bool) -> str:
    return text if met else f"**{text}**"


def as_markdown(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)
