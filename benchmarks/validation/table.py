"""The table of the validation, as Markdown."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.validation.measures import Run
from benchmarks.validation.scenarios import Scenario
from benchmarks.validation.truth import Truth
from decoder.frames import FloatArray

CAPACITY_GOAL, RESISTANCE_GOAL, NEXT_GOAL_V = 0.10, (0.03, 0.08), 0.12
BAND_GOAL, WIDTH_GOAL, EARLY_GOAL = (0.90, 0.99), 2.0, 0.95


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """A truth and its runs, one a set of sensor errors."""

    scenario: Scenario
    truth: Truth
    runs: tuple[Run, ...]


def charge_table(results: Sequence[Result]) -> str:
    """Charge: error after the first long rest, and whether the band holds; bold where a goal is missed."""
    head = (
        "truth", "RMSE", "goal", "worst", "goal", "band holds", "mean half width", "width over need",
        "before a long rest: band holds", "half width",
    )  # fmt: skip
    rows = []
    for result in results:
        error, half, inside = (_all(result.runs, name) for name in ("soc_error", "half", "inside"))
        early = _all(result.runs, "early_inside")
        rmse, worst = float(np.sqrt(np.mean(error**2))), float(np.abs(error).max())
        goal = result.scenario.goal
        need = float(np.quantile(np.abs(error), 0.95))
        rows.append((
            result.scenario.name,
            _marked(f"{rmse:.2f}", goal is None or rmse <= goal[0]),
            f"{goal[0]:.1f}" if goal else "-",
            _marked(f"{worst:.1f}", goal is None or worst <= goal[1]),
            f"{goal[1]:.1f}" if goal else "-",
            _marked(f"{100 * inside.mean():.1f} %", float(inside.mean()) >= BAND_GOAL[0]),
            f"{half.mean():.1f}",
            _marked(f"{half.mean() / need:.1f}", float(half.mean() / need) <= WIDTH_GOAL),
            _marked(f"{100 * early.mean():.1f} %", float(early.mean()) >= EARLY_GOAL) if len(early) else "-",
            f"{_all(result.runs, 'early_half').mean():.1f}" if len(early) else "-",
        ))  # fmt: skip
    return _table(head, rows)


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
        ohm = np.abs(_all(runs, "resistance_errors"))
        pooled = [run.pooled for run in runs if run.pooled.is_known]
        ahead, last = np.abs(_all(runs, "next_errors")), np.abs(_all(runs, "last_errors"))
        inside = _all(runs, "next_inside")
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
    return _table(head, rows)


def _better(ahead: FloatArray, last: FloatArray) -> bool:
    return float(ahead.mean()) <= NEXT_GOAL_V and float(ahead.mean()) <= float(last.mean())


def _percent(of: Callable[..., float], figures: Sequence[object]) -> str:
    if not figures:
        return "-"
    values = [of(one) for one in figures]
    return f"{100 * float(np.median(values)):+.1f} %"


def _all(runs: Sequence[Run], name: str) -> FloatArray:
    return np.concatenate([getattr(run, name) for run in runs])


def _marked(text: str, met: bool) -> str:
    return text if met else f"**{text}**"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)
