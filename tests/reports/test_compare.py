"""Before and after: what the judging says stands on the page, each verdict as plainly as the others."""

from __future__ import annotations

import dataclasses
import html
import re
from typing import Any

import pytest

from estimator.estimate import Figure, unknown_figure
from idle_stop.analysis import Analysis
from idle_stop.comparison import Comparison, FigureChange, FindingChange, Verdict, compare
from reports.compare import HEADLINES, compare_page
from reports.compared_figures import NAMES, figures_part
from reports.compared_findings import findings_sentence
from reports.language import Language
from reports.notebook import notebook_html
from signal_defs.text import Text

ENGLISH = Language("en")


def _words(page: str) -> str:
    return html.unescape(page).replace("\u00a0", " ")


@pytest.fixture(scope="module")
def many(van: Analysis) -> Analysis:
    """The van, recorded four times as long."""
    return dataclasses.replace(van, account=dataclasses.replace(van.account, standstills=van.account.standstills * 4))


@pytest.fixture(scope="module")
def mended(many: Analysis) -> Analysis:
    stopped = tuple(dataclasses.replace(one, outcome="stopped", reasons=()) for one in many.account.standstills)
    return dataclasses.replace(
        many,
        account=dataclasses.replace(many.account, standstills=stopped, reason_counts={}),
        estimate=dataclasses.replace(many.estimate, resistance_mohm=Figure(3.1, 2.9, 3.3)),
        findings=(),
    )


def test_a_repair_that_worked_is_said_to_have_worked(many: Analysis, mended: Analysis) -> None:
    text = _words(compare_page(many, mended))
    assert "Better: idle-stop is refused less often than before." in text
    assert "Idle-stop was refused at 20 of 28 standstills before, and at 0 of 32 after." in text
    assert "Beyond the bands: resistance at 25 °C fell." in text


def test_a_repair_that_did_harm_is_said_to_have_done_harm(many: Analysis, mended: Analysis) -> None:
    assert "Worse: idle-stop is refused more often than before." in _words(compare_page(mended, many))


@pytest.mark.parametrize("verdict", list(HEADLINES))
def test_every_verdict_stands_in_the_same_place_and_size(
    monkeypatch: pytest.MonkeyPatch, van: Analysis, verdict: Verdict
) -> None:
    judged = dataclasses.replace(compare(van, van), verdict=verdict)
    monkeypatch.setattr("reports.compare.compare", lambda *_: judged)
    page = compare_page(van, van)
    kind, sign, sentence = HEADLINES[verdict]
    shown = re.search(
        r'<section class="hero (\w+)".*?<p class="happened verdict"><span[^>]*>(.)</span> (.*?)</p>', page, re.DOTALL
    )
    assert shown is not None
    assert shown.groups() == (kind, sign, str(sentence))


def test_a_change_within_chance_is_not_called_a_change(van: Analysis) -> None:
    text = _words(compare_page(van, van))
    assert "Too early to say whether idle-stop is refused less often." in text
    assert "the difference may be chance" in text


def test_recordings_of_the_battery_alone_do_not_claim_that_nothing_was_refused(bare: Analysis, van: Analysis) -> None:
    text = _words(compare_page(bare, van))
    assert "The recording before holds no standstill to judge by; after, idle-stop was refused at 5 of 7." in text
    assert "no standstill to compare" in text


def _compared(van: Analysis, *states: tuple[str, Any]) -> Comparison:
    changes = tuple(FindingChange(code, state, True, None, None) for code, state in states)
    return dataclasses.replace(compare(van, van), findings=changes)


def test_findings_are_named_by_what_became_of_them(van: Analysis) -> None:
    compared = _compared(
        van,
        ("no_charging", "went"),
        ("overvoltage", "went"),
        ("data_gap", "stayed"),
        ("capacity_low", "not seen again"),
    )
    assert findings_sentence(compared, ENGLISH) == (
        "2 findings are gone: “The battery is not charged while the engine runs” and “The charging voltage is too "
        "high”. One was not seen again, but may only lack the data to show: “The battery holds less charge than it "
        "should”. Still there: “The recording has gaps or clock steps”."
    )
    assert findings_sentence(_compared(van), ENGLISH) == "Neither recording shows a finding."


def test_a_smaller_draw_is_said_to_have_fallen(van: Analysis) -> None:
    less = FigureChange("quiescent_ma", Figure(-249.0, -335.0, -163.0), Figure(-20.0, -96.0, 56.0), "rose")
    part = figures_part(dataclasses.replace(compare(van, van), figures=(less,)), ENGLISH)
    assert part.answer == "Beyond the bands: current drawn asleep fell."
    assert [cell.shown for cell in part.tables[0].rows[0]][1:3] == ["249 mA (163 to 335)", "20 mA (0 to 96)"]


def test_what_forbids_a_comparison_stands_beside_it(van: Analysis) -> None:
    none = unknown_figure(Text("Too little data."))
    part = figures_part(
        dataclasses.replace(
            compare(van, van), figures=(FigureChange("capacity_ah", none, none, "cannot be told", none.unknown),)
        ),
        ENGLISH,
    )
    assert part.answer == "No figure of the battery can be compared."
    assert [cell.shown for cell in part.tables[0].rows[0]][3:] == ["cannot be told", "Too little data."]


def test_every_figure_that_is_judged_has_a_name(van: Analysis) -> None:
    assert {one.name for one in compare(van, van).figures} == set(NAMES)


def test_a_notebook_shows_the_answer_and_no_script(van: Analysis) -> None:
    shown = notebook_html(dataclasses.replace(van, vehicle="<script>"))
    assert "Idle-stop was refused at 5 of 7 standstills" in shown
    assert "<script" not in shown
    assert "<table" in shown
