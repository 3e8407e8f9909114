"""Pictures and their plain drawings."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest

from idle_stop.analysis import Analysis
from reports.axis_ticks import number_ticks, time_ticks
from reports.figures.charge import charge_over_time
from reports.figures.evidence import evidence
from reports.picture import Canvas, Row
from reports.static_svg import static_svg
from reports.thinning import thin_columns
from reports.view import view_of


def _canvas() -> Canvas:
    return Canvas("test", [Row("Volt [V]", 100, (0.0, 10.0))], x_title="Second [s]", x_span=(0.0, 10.0))


def test_a_gap_lifts_the_pen() -> None:
    canvas = _canvas()
    canvas.line(0, np.arange(5.0), np.array([1.0, 2.0, np.nan, 3.0, 4.0]), "line", "#0072B2")
    path = next(
        part.get("d", "")
        for part in ET.fromstring(static_svg(canvas.done(), "A line")).iter("path")
        if part.get("fill") == "none"
    )
    assert path.count("M") == 2


def test_a_threshold_outside_its_row_is_not_drawn_into_the_next() -> None:
    canvas = _canvas()
    canvas.level(0, 20.0, "too high")
    assert "too high" not in static_svg(canvas.done(), "Nothing")


def test_every_drawing_is_well_formed_and_named(van: Analysis) -> None:
    view = view_of(van)
    for picture in (charge_over_time(view), *(evidence(view, number) for number in range(8))):
        root = ET.fromstring(static_svg(picture, 'A "name" <&>'))
        assert root.get("aria-label") == 'A "name" <&>'


def test_a_picture_is_a_plotly_figure_that_can_be_changed(van: Analysis) -> None:
    figure = charge_over_time(view_of(van)).to_plotly()
    figure.update_layout(title_text="Mine")
    assert figure.layout.title.text == "Mine"
    assert {trace.name for trace in figure.data} >= {"estimate", "95 % band"}


def test_thinning_keeps_the_lowest_the_highest_and_the_gaps() -> None:
    time = np.arange(100_000, dtype=np.int64) * 1_000_000
    value = np.sin(np.arange(100_000) / 50.0)
    value[70_001] = -9.0
    value[30_000:31_000] = np.nan
    thinned_time, thinned = thin_columns(time, value, 500, gap_s=1.0)
    assert len(thinned) < 520
    assert np.nanmin(thinned) == -9.0
    assert np.nanmax(thinned) == np.nanmax(value)
    assert np.isnan(thinned).sum() == 1
    gap = int(np.flatnonzero(np.isnan(thinned))[0])
    assert thinned_time[gap - 1] == time[29_999]
    assert thinned_time[gap + 1] == time[31_000]


@pytest.mark.parametrize(
    ("low", "high", "labels"),
    [
        (0.0, 10.0, ["0", "2", "4", "6", "8", "10"]),  # by hand: steps of 2
        (-0.3, 0.3, ["−0.2", "0.0", "0.2"]),  # by hand: steps of 0.2
    ],
)
def test_ticks_stand_at_round_numbers(low: float, high: float, labels: list[str]) -> None:
    assert [label for _, label in number_ticks(low, high, 5 if low == 0.0 else 3)] == labels


def test_days_without_a_date_are_numbered() -> None:
    ticks = time_ticks(np.datetime64(0, "ms"), np.datetime64(2 * 86_400_000, "ms"), 4, relative=True)
    assert [day for _, _, day in ticks if day] == ["day 1", "day 2", "day 3"]
