"""Before and after: what may be said to have changed."""

from __future__ import annotations

import dataclasses
import html

import pytest

from estimator.estimate import Figure
from idle_stop.analysis import Analysis
from reports.compare import compare_page
from reports.notebook import notebook_html
from reports.shares import share


# source: Wilson 1927; the same intervals from an independent package's proportion_confint(method="wilson")
@pytest.mark.parametrize(
    ("count", "of", "low", "high"), [(0, 10, 0.0, 0.278), (8, 20, 0.219, 0.613), (45, 60, 0.628, 0.842)]
)
def test_the_interval_of_a_share_is_wilsons(count: int, of: int, low: float, high: float) -> None:
    found = share(count, of)
    assert (found.low, found.high) == pytest.approx((low, high), abs=0.001)


def test_a_repair_that_worked_is_said_to_have_worked(van: Analysis) -> None:
    many = van.account.standstills * 4
    stopped = tuple(dataclasses.replace(one, outcome="stopped", reasons=()) for one in many)
    before = dataclasses.replace(van, account=dataclasses.replace(van.account, standstills=many))
    after = dataclasses.replace(
        van,
        account=dataclasses.replace(van.account, standstills=stopped, reason_counts={}),
        estimate=dataclasses.replace(van.estimate, resistance_mohm=Figure(3.1, 2.9, 3.3)),
        findings=(),
    )
    text = html.unescape(compare_page(before, after)).replace("\u00a0", " ")
    assert "Idle-stop was refused at 20 of 28 standstills before, and at 0 of 32 after." in text
    assert "became fewer for certain" in text
    assert "Of the findings 2 went, 0 stayed, 0 came new." in text
    assert "For certain: resistance at 25 °C fell." in text


def test_a_change_within_chance_is_not_called_a_change(van: Analysis) -> None:
    assert "may be chance" in compare_page(van, van)


def test_a_notebook_shows_the_answer_and_no_script(van: Analysis) -> None:
    shown = notebook_html(dataclasses.replace(van, vehicle="<script>"))
    assert "Idle-stop was refused at 5 of 7 standstills" in shown
    assert "<script" not in shown
    assert "<table" in shown
