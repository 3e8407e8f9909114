"""The table of the validation, as Markdown."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from benchmarks.validation.result import Result, of_all
from benchmarks.validation.starts import Foretold

CAPACITY_GOAL, RESISTANCE_GOAL, NEXT_GOAL_V, KNOWN_GOAL_V = 0.10, (0.03, 0.08), 0.12, 0.06
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
    """Capacity and resistance; bold where a goal is missed."""
    head = (
        "truth", "capacity, true", "told in", "median", "worst error", "band holds", "R of cranks: median", "worst",
        "R at 25 degC, full: error", "band holds",
    )  # fmt: skip
    rows = []
    for result in results:
        truth, runs = result.truth, result.runs
        told = [run.capacity for run in runs if run.capacity.is_known]
        off = [figure.value / truth.capacity_ah - 1.0 for figure in told]
        held = [figure.low <= truth.capacity_ah <= figure.high for figure in told]
        ohm = np.abs(of_all(runs, "resistance_errors"))
        pooled = [run.pooled for run in runs if run.pooled.is_known]
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
        ))  # fmt: skip
    return as_markdown(head, rows)


def starts_table(results: Sequence[Result]) -> str:
    """The next crank in advance and with its current known, and the draw asleep; bold where a goal is missed."""
    head = (
        "truth", "starts foretold", "in advance: mean error", "as last time", "band holds", "half width",
        "current known: mean error", "band holds", "half width", "draw asleep", "mean error", "worst", "band holds",
        "half width",
    )  # fmt: skip
    rows = []
    for result in results:
        runs = [run.starts for run in result.runs]
        draws = [run for run in runs if run.draw.is_known]
        off = np.array([abs(run.draw.value - run.draw_ma) for run in draws])
        better = result.ahead <= min(NEXT_GOAL_V, result.as_last)
        rows.append((
            result.scenario.name,
            str(sum(len(run.as_last) for run in runs)),
            _marked(f"{1e3 * result.ahead:.0f} mV", better),
            f"{1e3 * result.as_last:.0f} mV",
            *_band_of([run.in_advance for run in runs]),
            _marked(f"{1e3 * result.current_known:.0f} mV", result.current_known <= KNOWN_GOAL_V),
            *_band_of([run.current_known for run in runs]),
            f"{runs[0].draw_ma:.0f} mA",
            f"{off.mean():.0f} mA" if draws else "-",
            f"{off.max():.0f} mA" if draws else "-",
            f"{sum(run.draw_held for run in draws)} of {len(draws)}",
            f"{np.mean([0.5 * (run.draw.high - run.draw.low) for run in draws]):.0f} mA" if draws else "-",
        ))  # fmt: skip
    return as_markdown(head, rows)


def _band_of(foretold: Sequence[Foretold]) -> tuple[str, str]:
    """Share of the truths inside, and half width."""
    inside, half = (np.concatenate([getattr(one, name) for one in foretold]) for name in ("inside", "half"))
    return (f"{100 * inside.mean():.0f} %", f"{1e3 * half.mean():.0f} mV") if len(inside) else ("-", "-")


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
