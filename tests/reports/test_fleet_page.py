"""The fleet page: the answer first, every vehicle's story, filters that count anew, offline, for everyone."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from benchmarks.fleet_simulated import FIRST, Fault, fleet_drawn, simulate
from fleet.fleet_data import FleetData, fleet_of_rows
from fleet.metrics import METRICS
from fleet.ranking import rank
from reports.fleet import fleet_line, fleet_page
from reports.fleet_weeks import share_cell
from reports.messages import translator_sees

DEPOTS = ("north", "south")


def _fleet(vehicles: int, days: int = 84) -> FleetData:
    faults = {f"van-{n:03d}": Fault(drain_a=0.1, from_day=40) if n % 11 == 3 else Fault() for n in range(vehicles)}
    frames = simulate(faults, days, seed=5)
    daily = frames["daily"]
    parts = []
    for condition, group, share in (("state of charge", "electrical", 0.5), ("<hood>", "safety", 0.3), ("", "", 0.2)):
        count = np.floor(daily["refused"].to_numpy() * share)
        part = daily.loc[count > 0, ["vehicle", "day"]].assign(condition=condition, group=group)
        parts.append(part.assign(refusals=count[count > 0], alone=0, lost_idle_s=20 * count[count > 0]))
    manifest = pd.DataFrame({"vehicle": list(faults), "platform": "p", "battery": ""})
    manifest["depot"] = [DEPOTS[n % 2] for n in range(vehicles)]
    began, later = (
        pd.Timestamp(FIRST) + pd.Timedelta(days=day) for day in (40, 60)
    )  # the drain's first day, and later
    visits = pd.DataFrame({"vehicle": ["van-003", "van-001"], "day": [began, later]})
    tables = {
        "refusals": pd.concat(parts, ignore_index=True),
        "vehicles": manifest,
        "visits": visits.assign(kind="visit"),
    }
    return fleet_drawn({**frames, **tables})


@pytest.fixture(scope="module")
def data() -> FleetData:
    return _fleet(12)


@pytest.fixture(scope="module")
def file(data: FleetData, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("fleet") / "fleet.html"
    path.write_text(fleet_page(data, links={"van-003": "van-003.html"}), encoding="utf-8")
    return path


@pytest.fixture
def page(browser: Browser, file: Path) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    opened = context.new_page()
    complaints: list[str] = []
    opened.on("console", lambda message: complaints.append(message.text))
    opened.on("pageerror", lambda fault: complaints.append(str(fault)))
    opened.on("request", lambda request: complaints.append(request.url) if request.url != file.as_uri() else None)
    opened.goto(file.as_uri())
    yield opened
    context.close()
    assert complaints == []


def test_the_answer_names_the_vehicle_its_reason_and_since_when(data: FleetData) -> None:
    assert fleet_line(rank(data)) == "1 of 12 vehicles need attention: van-003."
    html = fleet_page(data)
    assert "First: van-003, draw while parked: " in html
    assert "(since 2025-10-1" in html  # the drain begins on day 40, 11 October; nights without data come first


def test_the_same_input_gives_the_same_bytes_and_nothing_is_loaded(data: FleetData) -> None:
    html = fleet_page(data)
    assert html == fleet_page(data)
    assert "http://" not in html.replace("http://www.w3.org", "")
    assert "https://" not in html
    assert "&lt;hood&gt;" in html
    assert "<hood>" not in html


def test_the_page_speaks_german(data: FleetData) -> None:
    html = fleet_page(data, language="de")
    assert '<html lang="de">' in html
    assert "Ruhestrom" in html
    assert "1 von 12 Fahrzeugen brauchen Aufmerksamkeit: van-003." in html


def test_every_title_of_a_figure_is_known_to_translators() -> None:
    seen = translator_sees()
    for metric in METRICS.values():
        assert {str(metric.title), str(metric.what), str(metric.record)} <= set(seen)


def test_a_fleet_without_data_says_so() -> None:
    html = fleet_page(_fleet(2, days=2))
    assert "There is too little data yet to rank any of the 2 vehicles." in html
    assert "Too little data: " in html


def test_filters_hide_vehicles_and_count_anew(page: Page) -> None:
    before = page.locator("#shown").inner_text()
    assert before.startswith("12 of 12 vehicles counted")
    page.select_option("select[name=depot]", "south")
    assert page.locator("details.vehicle:visible").count() == 6
    assert page.locator("#shown").inner_text().startswith("6 of 12 vehicles counted")
    total = page.locator("#week-table tfoot td").last.inner_text()
    page.select_option("select[name=from]", "6")
    assert page.locator("#week-table thead th:visible").count() == 2 + 6  # by hand: 12 weeks less 6, heading and sum
    assert int(page.locator("#week-table tfoot td").last.inner_text()) < int(total)
    page.fill("input[name=name]", "van-003")
    assert page.locator("details.vehicle:visible").count() == 1


def test_a_row_opens_its_story_with_drawings_and_a_link_by_keyboard(page: Page) -> None:
    row = page.locator("details.vehicle").first
    row.locator("summary").focus()
    page.keyboard.press("Enter")
    assert row.locator("svg.small").count() == 4
    assert row.locator("a").get_attribute("href") == "van-003.html"
    assert row.locator("svg.small").nth(2).get_attribute("aria-label").startswith("van-003, draw while parked [mA]: ")  # type: ignore[union-attr]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_on_the_fleet_page(browser: Browser, file: Path, scheme: Any) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 900}, color_scheme=scheme)
    opened = context.new_page()
    opened.goto(file.as_uri())
    for details in opened.locator("details").all():
        details.evaluate("it => { it.open = true; }")
    results = Axe().run(opened)
    context.close()
    assert results.violations_count == 0, results.generate_report()


@pytest.mark.parametrize("width", [320, 360, 768, 1440])
def test_the_fleet_page_never_scrolls_sideways(browser: Browser, file: Path, width: int) -> None:
    context = browser.new_context(viewport={"width": width, "height": 900})
    opened = context.new_page()
    opened.goto(file.as_uri())
    for details in opened.locator("details").all():
        details.evaluate("it => { it.open = true; }")
    needed = opened.evaluate("document.documentElement.scrollWidth")
    context.close()
    assert needed <= width


def test_without_script_every_story_is_still_there(browser: Browser, file: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    opened = context.new_page()
    opened.goto(file.as_uri())
    assert opened.locator("details.vehicle").count() == 12
    assert opened.locator("form.filters:visible").count() == 0
    assert opened.locator("#picture-weeks svg.drawn").count() == 1
    context.close()


def test_only_the_most_urgent_have_a_row_and_all_are_counted(data: FleetData, browser: Browser, tmp_path: Path) -> None:
    whole, part = fleet_page(data), fleet_page(data, most=4)
    assert "The 4 most urgent vehicles have a row. The other 8 are counted in every sum and have none: " in part
    assert len(part) < 0.7 * len(whole)
    texts, rows = [], []
    for name, html in (("whole", whole), ("part", part)):
        (tmp_path / f"{name}.html").write_text(html, encoding="utf-8")
        opened = browser.new_page()
        opened.goto((tmp_path / f"{name}.html").as_uri())
        opened.select_option("select[name=depot]", "south")
        texts.append((opened.locator("#shown").inner_text(), opened.locator("#week-table").inner_text()))
        rows.append(opened.locator("details.vehicle:visible").count())
        opened.close()
    assert texts[0] == texts[1]  # those without a row are counted by the same choices
    assert rows[0] == 6 > rows[1]


def test_what_a_visit_changed_is_said_with_its_interval() -> None:
    frames = simulate({"van-1": Fault(drain_a=0.1), "van-2": Fault()}, 60, seed=5)
    mended = simulate({"van-1": Fault(), "van-2": Fault()}, 60, seed=5)
    late = frames["daily"]["day"] >= FIRST + np.timedelta64(30, "D")
    frames["daily"].loc[late] = mended["daily"].loc[late]
    days = [pd.Timestamp(FIRST) + pd.Timedelta(days=day) for day in (30, 58)]
    visits = pd.DataFrame({"vehicle": ["van-1", "van-2"], "day": days, "kind": "visit"})
    html = fleet_page(fleet_drawn({**frames, "visits": visits}))
    assert "After 1 of 1 visits with enough data a figure was another by more than chance." in html
    assert "2025-10-01, workshop visit: draw while parked better, from " in html
    assert "Too little data after the visit: " in html


def test_a_share_of_few_standstills_is_told_as_numbers() -> None:
    assert share_cell(5, 40) == ("13", 12)  # by hand: 12.5 %, halves up as the page's script rounds them
    assert share_cell(1, 400) == ("<1", 0)
    assert share_cell(3, 12) == ("3/12", 25)
    assert share_cell(0, 50) == ("", 0)


def test_a_fleet_without_any_recording_has_a_page() -> None:
    assert "There is too little data yet to rank any of the 0 vehicles." in fleet_page(fleet_of_rows([]))
