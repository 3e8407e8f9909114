"""Pages in the reader's language: the one chosen, else the one the browser asks for; answers and progress as well."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

import pytest

PAGE = {"Accept": "text/html"}


@pytest.mark.parametrize(
    ("asked", "language"),
    [
        ("", "en"),
        ("de-AT,de;q=0.9,en;q=0.5", "de"),
        ("fr, en;q=0.7, de;q=0.8", "de"),
        ("en-GB,en;q=0.9,de;q=0.8", "en"),
        ("de;q=x, en", "en"),
        ("tlh", "en"),
    ],
)
def test_a_page_comes_in_the_language_that_the_browser_asks_for(site: Any, asked: str, language: str) -> None:
    page = site.call("GET", "/", headers={**PAGE, "Accept-Language": asked}).text
    assert f'<html lang="{language}">' in page
    assert f'<option value="{language}">' in page.partition('id="language"')[2][:60]  # reports in the same, by default


def test_a_language_that_was_chosen_stays_and_leads_back(site: Any) -> None:
    chosen = site.call("GET", "/language/de", params={"next": "/vehicles"})
    assert (chosen.status_code, chosen.headers["Location"]) == (303, "/vehicles")
    cookies = dict(chosen.cookies)
    assert "Fahrzeuge" in site.call("GET", "/vehicles", headers=PAGE, cookies=cookies).text
    assert site.call("GET", "/language/de", params={"next": "//evil.example"}).headers["Location"] == "/"
    assert site.call("GET", "/language/xx").status_code == 422


def test_an_answer_is_told_in_both_languages(site: Any, done: dict[str, Any]) -> None:
    path = f"/recordings/{done['id']}"
    english = unescape(site.call("GET", path, headers=PAGE).text)
    german = unescape(site.call("GET", path, headers={**PAGE, "Accept-Language": "de"}).text)
    assert done["summary"]["happened"] in english
    assert done["summary"]["happened_de"] in german
    assert re.search("<h2[^>]*>Die Antwort</h2>", german)
    assert len(done["summary"]["findings_de"]) == len(done["summary"]["findings"])


def test_a_problem_is_told_in_the_readers_language_where_it_can_be(site: Any) -> None:
    page = site.call("GET", f"/recordings/{'0' * 24}", headers={**PAGE, "Accept-Language": "de"})
    assert page.status_code == 404
    assert "Unter dieser Adresse ist nichts; vielleicht wurde es gelöscht." in page.text
