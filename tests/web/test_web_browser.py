"""The pages in real Chromium: every path a person takes, with mouse, keyboard, phone, and without script."""

from __future__ import annotations

import base64
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect

import signal_defs

PLATFORMS = Path(signal_defs.__file__).parent / "platforms"


class Person:
    """One person's browser and everything that went wrong in it."""

    def __init__(self, browser: Browser, address: str, width: int = 1280, **options: Any) -> None:
        self.context: BrowserContext = browser.new_context(viewport={"width": width, "height": 900}, **options)
        self.page: Page = self.context.new_page()
        self.page.set_default_timeout(30_000)
        self.address = address
        self.complaints: list[str] = []
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda fault: self.complaints.append(str(fault)))

    def go(self, path: str) -> Page:
        self.page.goto(f"{self.address}{path}")
        return self.page

    def is_accessible(self) -> None:
        results = Axe().run(self.page)
        assert results.violations_count == 0, results.generate_report()

    def is_narrow(self, width: int) -> None:
        assert self.page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.fixture
def person(browser: Browser, site: Any) -> Iterator[Person]:
    made = Person(browser, site.address)
    yield made
    made.context.close()


DROP = """([name, text]) => {
  const bytes = Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0));
  const transfer = new DataTransfer();
  transfer.items.add(new File([bytes], name));
  const event = new DragEvent("drop", {dataTransfer: transfer, bubbles: true, cancelable: true});
  document.querySelector("#drop").dispatchEvent(event);
}"""


def _drop(page: Page, name: str, data: bytes) -> None:
    page.evaluate(DROP, [name, base64.b64encode(data).decode()])


def test_a_log_is_dropped_watched_and_answered(person: Person, logs: dict[str, Path]) -> None:
    page = person.go("/")
    person.is_accessible()
    page.fill("#vehicle", "dropped")
    page.select_option("#platform", "example-hatch")
    _drop(page, "monday.log", logs["monday"].read_bytes())
    expect(page.locator("#files .about")).to_contain_text("candump · 2025-03-1", timeout=20_000)
    person.is_accessible()
    page.click("#go")
    page.wait_for_url("**/recordings/*")
    page.wait_for_selector(".happened")
    person.is_accessible()
    page.click("text=Open the report")
    page.wait_for_selector("figure.picture.is-live .main-svg", state="attached")
    assert page.evaluate("origin") == "null"  # by hand: a sandboxed document has an opaque origin
    assert person.complaints == []


def test_a_bad_file_says_so_where_it_was_dropped_and_on_its_page(person: Person) -> None:
    page = person.go("/")
    page.select_option("#platform", "example-hatch")
    _drop(page, "empty.log", b"")
    expect(page.locator("#files .wrong")).to_have_text("It is empty.")
    page.locator("#files button").click()
    _drop(page, "letter.txt", b"Dear Sir" * 100)
    expect(page.locator("#files .wrong")).to_contain_text("no log of a known format", timeout=20_000)
    page.click("#go")
    page.wait_for_url("**/recordings/*")
    page.wait_for_selector(".fault")
    assert "letter.txt" in page.inner_text(".fault")
    person.is_accessible()


def test_a_wrong_platform_is_mended_in_the_browser(person: Person, site: Any, logs: dict[str, Path]) -> None:
    folder = PLATFORMS / "example-hatch"
    toml = (folder / "platform.toml").read_bytes()
    page = person.go("/platforms")
    person.is_accessible()
    files = [
        {"name": "platform.toml", "mimeType": "", "buffer": toml.replace(b"SensorFast.Voltage", b"SensorFast.Volts")},
        {"name": "sensor.ldf", "mimeType": "", "buffer": (folder / "sensor.ldf").read_bytes()},
    ]
    page.set_input_files("#files", files)  # type: ignore[arg-type]  # dictionaries are what it takes
    page.click("text=Upload and check")
    page.wait_for_selector(".finding")
    platform = page.url.rpartition("/")[2]
    person.is_accessible()
    job = site.record(site.upload(logs["monday"].read_bytes()), vehicle="mended", platform=f"own:{platform}")
    page = person.go(f"/recordings/{job['id']}")
    page.wait_for_selector(".fault")
    page.click("text=Mend the platform first")
    page.fill("#toml", toml.decode())
    page.click("text=Save and check")
    page.click("text=Analyse the recording with this platform")
    page.wait_for_url("**/recordings/*")
    page.wait_for_selector(".happened")
    assert person.complaints == []


def test_waiting_is_cancelled(person: Person, start: Any, logs: dict[str, Path], browser: Browser) -> None:
    asleep = start(workers=0)
    upload = asleep.upload(logs["monday"].read_bytes())
    asleep.record(upload)
    job = asleep.record(upload)
    other = Person(browser, asleep.address)
    page = other.go(f"/recordings/{job['id']}")
    assert page.inner_text("#progress-words") == "Waiting: place 2 in line."
    other.is_accessible()
    page.click("text=Cancel")
    page.wait_for_selector("#cancelled-title")
    other.context.close()


def test_two_recordings_are_compared_and_the_vehicle_is_deleted(
    person: Person, site: Any, logs: dict[str, Path], done: dict[str, Any]
) -> None:
    second = site.record(site.upload(logs["tuesday"].read_bytes(), "tuesday.log"))
    assert site.finished(second["id"])["state"] == "done"
    page = person.go(f"/vehicles/{done['vehicle_id']}")
    person.is_accessible()
    page.locator("#compare-title ~ form button").click()
    page.wait_for_url("**/comparisons/*")
    page.click("text=Open the comparison")
    expect(page.locator("h1")).to_have_text("hatch")
    person.go("/fleet").click("text=Open the fleet report")
    expect(page.locator("h1")).to_contain_text("Fleet")
    page = person.go(f"/vehicles/{done['vehicle_id']}")
    page.click("summary")
    page.click("button.danger")
    page.wait_for_url("**/vehicles")
    assert "hatch" not in [one.strip() for one in page.locator("tbody th").all_inner_texts()]
    assert person.complaints == []


def test_without_script_the_plain_form_leads_to_the_same_report(
    browser: Browser, site: Any, logs: dict[str, Path]
) -> None:
    plain = Person(browser, site.address, java_script_enabled=False)
    page = plain.go("/")
    page.fill("#vehicle", "plain")
    page.select_option("#platform", "example-hatch")
    page.set_input_files("#logs", [str(path) for path in logs.values()])
    page.click("#go")
    page.wait_for_url("**/recordings/*")
    page.wait_for_selector(".happened", timeout=30_000)  # the page reloads by itself
    page.click("text=Open the report")
    assert page.locator("figure.picture svg.drawn").count() > 3
    plain.context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_on_a_phone_nothing_scrolls_sideways(browser: Browser, site: Any, scheme: Any, logs: dict[str, Path]) -> None:
    phone = Person(browser, site.address, width=360, color_scheme=scheme, has_touch=True)
    job = site.record(site.upload(b"x", "a" * 150 + ".log"), vehicle="W" * 120)
    site.finished(job["id"])
    paths = ["/", "/vehicles", "/platforms", "/fleet", "/sign-in", "/nowhere", f"/recordings/{job['id']}"]
    for path in [*paths, f"/vehicles/{job['vehicle_id']}"]:
        phone.go(path)
        phone.is_narrow(360)
        phone.is_accessible()
    phone.context.close()


def test_the_keyboard_alone_is_enough(person: Person, logs: dict[str, Path]) -> None:
    page = person.go("/")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    reached = []
    for _ in range(12):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.id || document.activeElement.textContent.trim()"))
    assert [one for one in reached if one in {"vehicle", "platform", "language", "logs", "folder", "go"}] == [
        "vehicle",
        "platform",
        "language",
        "logs",
        "folder",
        "go",
    ]


def test_an_upload_goes_on_after_the_connection_was_lost(person: Person, logs: dict[str, Path]) -> None:
    page = person.go("/")
    data = logs["monday"].read_bytes() * 4
    lost = {"left": 1}

    def cut(route: Any) -> None:
        if route.request.method == "PATCH" and route.request.headers["upload-offset"] != "0" and lost["left"]:
            lost["left"] -= 1
            route.abort()
        else:
            route.continue_()

    page.route("**/api/v1/uploads/*", cut)
    _drop(page, "long.log", data)
    expect(page.locator("#files .about")).to_contain_text("candump", timeout=20_000)
    assert lost["left"] == 0


def test_a_place_in_line_is_told_anew_while_the_page_is_open(
    start: Any, logs: dict[str, Path], browser: Browser
) -> None:
    asleep = start(workers=0)
    upload = asleep.upload(logs["monday"].read_bytes())
    first, second = asleep.record(upload), asleep.record(upload)
    watching = Person(browser, asleep.address)
    page = watching.go(f"/recordings/{second['id']}")
    expect(page.locator("#progress-words")).to_have_text("Waiting: place 2 in line.")
    page.evaluate("window.stayed = true")
    asleep.call("POST", f"/api/v1/recordings/{first['id']}/cancel")
    expect(page.locator("#progress-words")).to_have_text("You are next in line.")
    assert page.evaluate("window.stayed")  # the page was not loaded anew
    claim = asleep.application.office.queue.claim("here:1:1:x")
    asleep.application.office.queue.beat(claim, {"stage": "read", "done": 500, "total": 2000, "frames": 12_345})
    expect(page.locator("#progress-words")).to_have_text("Reading the logs: 500 bytes of 2 kB, 12,345 frames so far.")
    assert page.locator("progress").evaluate("bar => bar.value / bar.max") == 0.25  # by hand: 500 of 2000
    page.click("text=Cancel")
    page.wait_for_selector("#cancelled-title")
    watching.context.close()


def test_databases_alone_become_a_platform_line_by_line(browser: Browser, site: Any, logs: dict[str, Path]) -> None:
    person = Person(browser, site.address, width=360)
    failed = site.record(site.upload(logs["monday"].read_bytes()), vehicle="proposed", platform="open-standard")
    site.finished(failed["id"])
    page = person.go(f"/recordings/{failed['id']}")
    page.click("text=upload a definition")
    page.set_input_files("#files", str(PLATFORMS / "example-hatch/sensor.ldf"))
    page.click("text=Upload and check")
    page.wait_for_selector("#proposals-title")
    person.is_accessible()
    person.is_narrow(360)
    page.select_option("#type", "efb")
    page.fill("#capacity_ah", "60")
    page.click("text=Accept and check")
    page.wait_for_selector("text=Analyse the recording with this platform")
    assert 'type = "efb"' in page.input_value("#toml")
    page.click("text=Analyse the recording with this platform")
    page.wait_for_selector(".happened")
    assert person.complaints == []
    person.context.close()


def test_pages_change_their_language_and_stay_in_it(browser: Browser, site: Any) -> None:
    reader = Person(browser, site.address, width=360, locale="de-DE")
    page = reader.go("/platforms")
    assert page.inner_text("h1") == "Plattformen"
    reader.is_accessible()
    reader.is_narrow(360)
    page.click("text=English")
    assert (page.inner_text("h1"), page.url) == ("Platforms", f"{site.address}/platforms")
    assert reader.go("/vehicles").inner_text("h1") == "Vehicles"
    reader.context.close()


@pytest.mark.parametrize("what", ["recording", "comparison", "platform"])
def test_what_is_deleted_is_gone(person: Person, site: Any, logs: dict[str, Path], what: str) -> None:
    one, two = (site.record(site.upload(logs[name].read_bytes()), vehicle=f"gone {what}") for name in logs)
    paths = {"recording": f"/recordings/{two['id']}"}
    if what == "comparison":
        body = {"before": one["id"], "after": two["id"]}
        paths[what] = f"/comparisons/{site.call('POST', '/api/v1/comparisons', json=body).json()['id']}"
    if what == "platform":
        files = {"sensor.ldf": base64.b64encode((PLATFORMS / "example-hatch/sensor.ldf").read_bytes()).decode()}
        made = site.call("POST", "/api/v1/platforms", json={"files": files}).json()["id"]
        paths[what] = f"/platforms/{made.removeprefix('own:')}"
    page = person.go(paths[what])
    page.click("details.delete summary")
    page.click("button.danger")
    page.wait_for_url(f"{site.address}/{'platforms' if what == 'platform' else 'vehicles/*'}")
    assert site.call("GET", paths[what]).status_code == 404


def test_a_page_that_follows_a_recording_does_not_reload_while_its_deletion_is_answered(
    person: Person, site: Any, logs: dict[str, Path]
) -> None:
    def answer_late(route: Route) -> None:
        answer = route.fetch()
        time.sleep(1.5)  # the events have told by then that the recording is gone
        route.fulfill(response=answer)

    _, two = (site.record(site.upload(logs[name].read_bytes()), vehicle="gone late") for name in logs)
    page = person.go(f"/recordings/{two['id']}")
    page.wait_for_selector("[data-events]")
    page.route("**/delete", answer_late)
    page.click("details.delete summary")
    page.click("button.danger")
    page.wait_for_selector("h1:has-text('gone late')")
