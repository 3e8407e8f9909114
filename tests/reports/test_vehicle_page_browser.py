"""The page in a real browser: it draws, shows evidence, keeps to itself, and can be used by everyone."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

from idle_stop.analysis import Analysis
from reports.compare import compare_page
from reports.vehicle import vehicle_page


@pytest.fixture(scope="module")
def file(van: Analysis, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "van-017.html"
    path.write_text(vehicle_page(van), encoding="utf-8")
    return path


class Watched:
    """A page and everything it complained about or asked the world for."""

    def __init__(self, browser: Browser, file: Path, width: int = 1280, **options: Any) -> None:
        self.context = browser.new_context(viewport={"width": width, "height": 900}, **options)
        self.page: Page = self.context.new_page()
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda fault: self.complaints.append(str(fault)))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(file.as_uri())

    def scroll_through(self) -> None:
        """Bring every picture into view once."""
        height = self.page.evaluate("document.documentElement.scrollHeight")
        for top in range(0, height, 800):
            self.page.evaluate(f"window.scrollTo({{top: {top}, behavior: 'instant'}})")
            self.page.wait_for_timeout(40)
        self.page.wait_for_timeout(200)


@pytest.fixture
def watched(browser: Browser, file: Path) -> Iterator[Watched]:
    it = Watched(browser, file)
    yield it
    it.context.close()


def test_every_picture_is_drawn_without_complaint_or_request(watched: Watched, file: Path) -> None:
    watched.scroll_through()
    figures = watched.page.locator("figure.picture")
    assert figures.count() >= 8
    assert watched.page.locator("figure.picture.is-live .main-svg").count() >= figures.count()
    assert watched.complaints == []
    assert watched.requests == [file.as_uri()]


def test_choosing_a_standstill_by_keyboard_shows_its_evidence(watched: Watched) -> None:
    watched.page.locator("#standstill").focus()
    watched.page.wait_for_selector("#picture-evidence.is-live .main-svg")
    before = watched.page.locator("#evidence-words").inner_text()
    watched.page.keyboard.press("ArrowDown")
    watched.page.wait_for_timeout(100)
    after = watched.page.locator("#evidence-words").inner_text()
    assert before != after
    assert "refused" in after


def test_pointing_at_a_sign_in_the_band_shows_its_evidence(watched: Watched) -> None:
    page = watched.page
    page.wait_for_selector("#picture-band.is-live .scatterlayer .point")
    page.locator("#picture-band").scroll_into_view_if_needed()
    page.locator("#picture-band .scatterlayer .point").last.hover(force=True)
    page.wait_for_timeout(200)
    assert "no stop expected" in page.locator("#evidence-words").inner_text()


def test_enlarging_one_picture_moves_all_pictures_over_time(watched: Watched) -> None:
    watched.scroll_through()
    page = watched.page
    spans = "[...document.querySelectorAll('figure.is-live .live')].filter(l => l.layout.xaxis.type === 'date')"
    page.locator("#picture-band [data-do=closer]").click()
    page.wait_for_timeout(200)
    ranges = page.evaluate(
        f"{spans}.map(l => l.layout.xaxis.range.map(v => String(v).slice(0, 19).replace(' ', 'T')).join())"
    )
    assert len(ranges) >= 3
    assert len(set(ranges)) == 1


@pytest.mark.parametrize(("scheme", "width"), [("light", 1440), ("dark", 320)])
def test_axe_finds_nothing(browser: Browser, file: Path, scheme: Any, width: int) -> None:
    it = Watched(browser, file, width, color_scheme=scheme)
    it.scroll_through()
    for details in it.page.locator("details").all():
        details.evaluate("it => { it.open = true; }")
    it.page.wait_for_timeout(200)
    results = Axe().run(it.page)
    it.context.close()
    assert results.violations_count == 0, results.generate_report()


@pytest.mark.parametrize("width", [320, 360, 768, 1440, 2560])
def test_nothing_scrolls_sideways(browser: Browser, file: Path, width: int) -> None:
    it = Watched(browser, file, width=width)
    it.scroll_through()
    needed = it.page.evaluate("document.documentElement.scrollWidth")
    it.context.close()
    assert needed <= width


@pytest.mark.parametrize("width", [390, 1024])
@pytest.mark.parametrize("target", ["cautions", "checks"])
def test_a_link_to_the_checks_lands_on_them(browser: Browser, file: Path, width: int, target: str) -> None:
    it = Watched(browser, file, width=width)
    it.page.locator(f".facts a[href='#{target}']").click()
    it.page.wait_for_timeout(1500)  # a smooth scroll past every picture, and each of them drawn on the way
    top = it.page.evaluate(f"document.getElementById('{target}').getBoundingClientRect().top")
    it.context.close()
    assert 0 <= top <= 120


_OVERLAPS = """() => {
  const words = [...document.querySelectorAll("#picture-evidence .live .annotation-text, #picture-evidence .live .xtick text, #picture-evidence .live .ytick text")];
  const boxes = words.map((one) => [one.textContent, one.getBoundingClientRect()]);
  const clash = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 5;
  return boxes.flatMap(([word, box], place) => boxes.slice(place + 1).filter(([, other]) => clash(box, other)).map(([other]) => [word, other]));
}"""  # noqa: E501 - one script


def test_on_a_phone_no_word_of_the_close_up_stands_on_another(browser: Browser, file: Path) -> None:
    it = Watched(browser, file, width=390)
    it.page.locator("#evidence").scroll_into_view_if_needed()
    it.page.wait_for_selector("#picture-evidence.is-live .main-svg")
    it.page.wait_for_timeout(200)
    overlaps = it.page.evaluate(_OVERLAPS)
    it.context.close()
    assert overlaps == []


def test_without_script_everything_is_still_there(browser: Browser, file: Path) -> None:
    it = Watched(browser, file, java_script_enabled=False)
    figures = it.page.locator("figure.picture").count()
    assert it.page.locator("figure.picture svg.drawn").count() == figures
    assert it.page.locator("button:visible").count() == 0
    it.page.locator("details.numbers summary").first.click()
    assert it.page.locator("details.numbers table").first.is_visible()
    it.context.close()


def test_a_table_sorts_by_its_heading_and_is_saved_as_csv(watched: Watched) -> None:
    page = watched.page
    page.locator("#when details.numbers summary").click()
    heading = page.locator("#when thead th", has_text="Outcome")
    heading.locator("button").click()
    assert heading.get_attribute("aria-sort") == "ascending"
    first = page.locator("#when tbody tr").first.inner_text()
    assert "ended early" in first
    with page.expect_download() as waiting:
        page.locator("#when .take button").first.click()
    saved = Path(waiting.value.path()).read_text("utf-8-sig")
    assert waiting.value.suggested_filename == "standstills.csv"
    assert saved.splitlines()[0].startswith("No.,Outcome,Not met,Value and limit,Start,Length [s]")
    assert len(saved.splitlines()) == 9  # by hand: a heading and eight standstills
    assert watched.complaints == []


def test_the_print_has_a_foot_and_no_picture_is_cut(watched: Watched, tmp_path: Path) -> None:
    from pypdf import PdfReader

    path = tmp_path / "page.pdf"
    watched.page.pdf(path=path, prefer_css_page_size=True)
    pages = [page.extract_text() for page in PdfReader(path).pages]
    assert 4 <= len(pages) <= 16
    for number, text in enumerate(pages, start=1):
        assert "van-017" in text
        assert f"Page{number}/{len(pages)}" in "".join(text.split())


def test_the_compare_page_is_as_sound(browser: Browser, van: Analysis, bare: Analysis, tmp_path: Path) -> None:
    file = tmp_path / "compare.html"
    file.write_text(compare_page(van, bare), encoding="utf-8")
    it = Watched(browser, file, width=360)
    it.scroll_through()
    for details in it.page.locator("details").all():
        details.evaluate("it => { it.open = true; }")
    results = Axe().run(it.page)
    assert it.page.evaluate("document.documentElement.scrollWidth") <= 360
    it.context.close()
    assert results.violations_count == 0, results.generate_report()
    assert it.complaints == []
    assert it.requests == [file.as_uri()]


_FOCUSED = """() => {
  const it = document.activeElement, box = it.getBoundingClientRect();
  const label = it.labels?.[0]?.textContent ?? "";
  return {tag: it.tagName, name: (it.getAttribute("aria-label") ?? label + it.textContent).trim(),
    seen: box.width > 0 && box.height > 0, id: it.id, what: it.dataset.do ?? ""};
}"""


def test_the_tab_key_walks_through_the_whole_page_and_every_stop_has_a_name(watched: Watched) -> None:
    page = watched.page
    page.wait_for_selector("#picture-band.is-live .main-svg")
    stops = []
    for _ in range(400):
        page.keyboard.press("Tab")
        stop = page.evaluate(_FOCUSED)
        if stop["tag"] == "BODY":
            break
        stops.append(stop)
    assert stops[-1]["tag"] in {"SUMMARY", "DIV"}  # the last table of the origin
    assert stops[0]["name"] == "Skip to the answer"
    assert [stop for stop in stops if not stop["name"] or not stop["seen"]] == []
    assert {"theme", "standstill", "before", "after"} <= {stop["id"] for stop in stops}
    assert {"closer", "wider", "earlier", "later", "first", "all"} <= {stop["what"] for stop in stops}


def test_the_keys_enlarge_the_band_and_bring_it_back(watched: Watched) -> None:
    page = watched.page
    page.wait_for_selector("#picture-band.is-live .main-svg")
    shown = "document.querySelector('#picture-band .live').layout.xaxis.range.join()"
    ranges = [page.evaluate(shown)]
    for what in ("closer", "first", "all"):
        page.locator(f"#picture-band [data-do={what}]").focus()
        page.keyboard.press("Enter")
        page.wait_for_timeout(200)
        ranges.append(page.evaluate(shown))
    assert ranges[0] == ranges[2]
    assert len(set(ranges)) >= 2
    assert watched.complaints == []


def test_nothing_moves_by_itself_for_those_who_ask_for_less_motion(browser: Browser, file: Path) -> None:
    it = Watched(browser, file, reduced_motion="reduce")
    moving = it.page.evaluate(
        """[...document.querySelectorAll("body *")].filter((one) => {
          const style = getComputedStyle(one);
          return style.animationName !== "none" || parseFloat(style.transitionDuration) > 0;
        }).length"""
    )
    smooth = it.page.evaluate("getComputedStyle(document.documentElement).scrollBehavior")
    it.context.close()
    assert (moving, smooth) == (0, "auto")


def test_on_paper_every_picture_fits_one_page_and_stays_whole(browser: Browser, file: Path) -> None:
    it = Watched(browser, file, width=688)  # by hand: A4 is 210 mm wide, less two margins of 14 mm, at 96 dots an inch
    it.scroll_through()
    it.page.emulate_media(media="print")
    blocks = it.page.evaluate(
        """[...document.querySelectorAll("figure.picture, .evidence")].map((one) =>
          [one.id, one.getBoundingClientRect().height, getComputedStyle(one).breakInside])"""
    )
    it.context.close()
    assert len(blocks) >= 9
    # by hand: A4 is 297 mm high, less margins of 16 and 18 mm, at 96 dots an inch: 994
    assert [block for block in blocks if not 0 < block[1] < 994 or block[2] != "avoid"] == []
