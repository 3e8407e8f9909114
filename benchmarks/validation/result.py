"""A truth with all its runs, and what the tables ask of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from benchmarks.validation.measures import Run
from benchmarks.validation.scenarios import Scenario
from benchmarks.validation.truth import Truth, long_rests
from decoder.frames import FloatArray
from estimator.estimate import Figure

HIDDEN = "fade OCV cannot show"


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """A truth and its runs, one a set of sensor errors."""

    scenario: Scenario
    truth: Truth
    runs: tuple[Run, ...]

    @property
    def rmse(self) -> float:
        return float(np.sqrt(np.mean(of_all(self.runs, "soc_error") ** 2)))

    @property
    def worst(self) -> float:
        return float(np.abs(of_all(self.runs, "soc_error")).max())

    @property
    def held(self) -> float:
        """Share of the time in which the charge's band held the truth."""
        return float(of_all(self.runs, "inside").mean())

    @property
    def held_early(self) -> float:
        return float(of_all(self.runs, "early_inside").mean())

    @property
    def offers_much(self) -> bool:
        """Ten long rests, and twenty points of charge between them."""
        at_ends = [np.interp(end, self.truth.time_s, self.truth.soc) for _, end in long_rests(self.truth)]
        return len(at_ends) >= 10 and float(np.ptp(at_ends)) >= 20.0

    @property
    def over_need(self) -> float:
        return over_need(self.runs)

    @property
    def ahead(self) -> float:
        """Mean error of the next crank's lowest voltage [V]; 0 without any."""
        errors = np.concatenate([run.starts.in_advance.errors for run in self.runs])
        return float(np.abs(errors).mean()) if len(errors) else 0.0

    @property
    def ahead_by_chance(self) -> float:
        """Standard error of `ahead` by the truth's few starts, which all its runs share [V]."""
        errors = [np.abs(run.starts.in_advance.errors) for run in self.runs]
        count = min(map(len, errors))
        each = np.mean([one[:count] for one in errors], axis=0)
        return float(np.std(each, ddof=1) / np.sqrt(count)) if count > 1 else float("inf")

    @property
    def current_known(self) -> float:
        """The same with the crank's largest current given [V]; 0 without any."""
        errors = np.concatenate([run.starts.current_known.errors for run in self.runs])
        return float(np.abs(errors).mean()) if len(errors) else 0.0

    @property
    def as_last(self) -> float:
        """The same if each were as the start before [V]; infinite without any."""
        errors = np.concatenate([run.starts.as_last for run in self.runs])
        return float(np.abs(errors).mean()) if len(errors) else float("inf")


def of_all(runs: Sequence[Run], name: str) -> FloatArray:
    """One of the runs' arrays, all runs together."""
    return np.concatenate([getattr(run, name) for run in runs])


def over_need(runs: Sequence[Run]) -> float:
    """Mean half width of the charge's band over the 95 % quantile of its error."""
    need = float(np.quantile(np.abs(of_all(runs, "soc_error")), 0.95))
    return float(of_all(runs, "half").mean()) / need


def told(results: Sequence[Result], which: Callable[[Run], Figure | None]) -> list[tuple[Figure, float]]:
    """(figure, true capacity [Ah]) of each run that tells one."""
    found = [(which(run), one.truth.capacity_ah) for one in results for run in one.runs]
    return [(figure, true) for figure, true in found if figure is not None and figure.is_known]
