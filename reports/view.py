"""What every part of a page looks at: the analysis, the reader's language and the recording's clock."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from decoder.frames import FloatArray
from decoder.recording import Trace
from estimator.estimate import BatteryEstimate
from idle_stop.account import Account
from idle_stop.analysis import Analysis
from reports.clock import Clock, clock_of
from reports.language import Language
from reports.picture import Canvas, Row
from reports.table import Cell, Column
from signal_defs.platform import Condition


@dataclass(frozen=True, slots=True)
class View:
    """An analysis, seen by a reader."""

    analysis: Analysis
    say: Language
    clock: Clock
    _silences: dict[str, float] = field(default_factory=dict)

    def silence_s(self, trace: Trace) -> float:
        """How long a signal must be silent for a gap [s]; asked of a long trace once."""
        if trace.role not in self._silences:
            self._silences[trace.role] = trace.stale_after_s
        return self._silences[trace.role]

    @property
    def account(self) -> Account:
        return self.analysis.account

    @property
    def estimate(self) -> BatteryEstimate:
        return self.analysis.estimate

    @property
    def conditions(self) -> tuple[Condition, ...]:
        return self.analysis.platform.idle_stop.conditions

    def instant(self, at_ns: int) -> Any:
        """An instant for a time axis."""
        return self.clock.axis(np.array([at_ns], dtype=np.int64))[0]

    def when(self, at_ns: int) -> str:
        """An instant in words."""
        return self.clock.words(at_ns, self.say)

    def moments(self, name: str, times_ns: Iterable[int]) -> Column:
        """A column of instants: words for people, ISO 8601 for programs, or seconds where the recording has no date."""
        clock = self.clock
        cells = [Cell(self.when(at), clock.iso(at) or f"{clock.seconds(at):.3f}") for at in times_ns]
        return Column(name, cells)

    def over_time(self, name: str, rows: list[Row], span_ns: tuple[int, int] | None = None, left: int = 56) -> Canvas:
        """An empty picture over time: the whole recording, or span_ns of it; the reader can go to the whole."""
        recording = self.analysis.recording
        margin = max((recording.end_ns - recording.start_ns) // 100, 1_000_000)
        whole = (recording.start_ns - margin, recording.end_ns + margin)
        start, end = span_ns or whole
        x_span = (self.instant(start), self.instant(end))
        canvas = self.over(name, rows, self.clock.axis_title(self.say), x_span, left)
        canvas.count_time(relative=not self.clock.absolute)
        canvas.layout["meta"] = {"whole": [self.instant(at) for at in whole]}
        return canvas

    def over(self, name: str, rows: list[Row], x_title: str, x_span: tuple[Any, Any], left: int = 56) -> Canvas:
        """An empty picture over another quantity."""
        separators = ",." if self.say.code == "de" else ".,"  # decimal and group sign, as plotly takes them
        return Canvas(name, rows, x_title=x_title, x_span=x_span, separators=separators, left=left)


def view_of(analysis: Analysis, language: str = "en") -> View:
    """The view of an analysis in a language."""
    return View(analysis, Language(language), clock_of(analysis.recording))


def span_of(*columns: FloatArray, least: float = 1.0, pad: float = 0.06) -> tuple[float, float]:
    """Lowest and highest finite value of all columns with some room; (0, least) where there is none.

    least: the span is at least so wide, in the values' unit.
    """
    values = np.concatenate([np.atleast_1d(column) for column in columns]) if columns else np.array([])
    values = values[np.isfinite(values)]
    if not len(values):
        return (0.0, least)
    low, high = float(values.min()), float(values.max())
    short = max(least - (high - low), 0.0) / 2
    room = (high - low + 2 * short) * pad
    return (low - short - room, high + short + room)
