"""The page of one vehicle, as text: whole, the same each time, and harmless whatever the log says."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import html
import math
import re
from typing import Literal

import pytest

from decoder.recording import Source
from estimator.estimate import AcceptanceAt, Fade, Figure, WakeUp, unknown_figure
from idle_stop.analysis import Analysis, Finding
from reports.findings import WORDINGS
from reports.vehicle import vehicle_page
from signal_defs.errors import UsageError
from signal_defs.text import Text

PARTS = ("main", "when", "why", "charge", "starts", "between", "health", "data", "checks", "origin")
NASTY = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\u202egnp.exe{{7*7}}"


@pytest.fixture(scope="module")
def page(van: Analysis) -> str:
    return vehicle_page(van)


def test_the_ten_parts_stand_in_the_order_a_person_asks(page: str) -> None:
    places = [page.index(f'id="{part}"') for part in PARTS]
    assert places == sorted(places)


def test_the_same_analysis_gives_the_same_bytes(van: Analysis, page: str) -> None:
    assert vehicle_page(van) == page


def test_the_first_screen_says_how_often_why_and_what_first(page: str) -> None:
    text = html.unescape(page).replace("\u00a0", " ")
    assert (
        "Idle-stop was refused at 5 of 7 standstills, 3 of them with the sensor's state of charge below 75 %." in text
    )
    assert "First: Measure the voltage at the battery posts" in text
    assert "Possible, not proven" in text


def test_only_the_scripts_of_the_page_may_run(page: str) -> None:
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)
    assert policy
    words = html.unescape(policy[1])
    assert "default-src 'none'" in words
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.DOTALL)
    assert len(scripts) == 2
    for script in scripts:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in words


def test_plotly_is_in_the_page_once_and_the_page_stays_under_six_megabytes(page: str) -> None:
    assert page.count("Copyright 2012-2026, Plotly") == 1
    assert len(page.encode()) < 6_000_000


def test_whatever_a_log_says_stays_text(van: Analysis) -> None:
    source = Source(NASTY, "0" * 64, "blf", 1, 1, absolute_time=True, notes=(NASTY,))
    standstills = tuple(
        dataclasses.replace(
            one,
            reasons=tuple(dataclasses.replace(reason, condition=NASTY) for reason in one.reasons),
            unknown_conditions=(NASTY,),
        )
        for one in van.account.standstills
    )
    hostile = dataclasses.replace(
        van,
        vehicle=NASTY,
        platform=dataclasses.replace(van.platform, title=NASTY, id=NASTY),
        recording=dataclasses.replace(van.recording, sources=(source,)),
        account=dataclasses.replace(van.account, standstills=standstills, reason_counts={NASTY: (3, 1, 9.0)}),
        findings=(Finding("data_gap", "act", False, (Text("{x}", {"x": NASTY}),)),),
    )
    page = vehicle_page(hostile)
    assert "<img src=x" not in page
    assert "<script>alert" not in page
    assert "\u202e" not in page
    assert "[U+202E]" in page
    assert page.count("</script>") == len(re.findall(r"<script\b", page))


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_recording_that_tells_nothing_still_makes_a_page(bare: Analysis, language: str) -> None:
    page = vehicle_page(bare, language=language)
    assert f'<html lang="{language}">' in page
    assert "nan" not in re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)


def test_a_language_that_is_not_there_is_named_in_the_error(van: Analysis) -> None:
    with pytest.raises(UsageError, match="'xx'"):
        vehicle_page(van, language="xx")


def test_every_finding_has_its_words_and_no_caution_is_said_twice(van: Analysis) -> None:
    everything = tuple(Finding(code, "check", True, (Text("Seen."),)) for code in WORDINGS)
    page = html.unescape(vehicle_page(dataclasses.replace(van, findings=everything))).replace("\u00a0", " ")
    for wording in WORDINGS.values():
        assert str(wording.title) in page
    assert page.count("Charging a lead-acid battery makes explosive hydrogen") == 1
    assert page.count("local codes and licensed practice") == 1


def test_only_the_style_of_the_page_counts(page: str) -> None:
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)
    assert policy
    words = html.unescape(policy[1])
    (style,) = re.findall(r"<style>(.*?)</style>", page, flags=re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}' 'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='" in words
    # source: that is the SHA-256 of nothing, known from FIPS 180-4 implementations, here in base64
    assert "unsafe" not in words


def test_the_bar_of_the_answer_is_calm_where_nothing_needs_to_be_done(van: Analysis, page: str) -> None:
    worked = [one for one in van.account.standstills if one.outcome in {"stopped", "not_sought"}]
    account = dataclasses.replace(van.account, standstills=tuple(worked), reason_counts={}, cures=(), smallest_cures=())
    calm = vehicle_page(dataclasses.replace(van, account=account, findings=()))
    assert 'class="hero act"' in page
    assert 'class="hero calm"' in calm
    assert '<span aria-hidden="true">●</span> nothing to do' in calm


@pytest.mark.parametrize(
    ("state", "says"),
    [
        ("seen", "charge and capacity allow for it. Fully charged, it reads low."),
        ("likely", "the low ends of charge and capacity allow for it. Fully charged, it reads low."),
        ("possible", "Nothing speaks for lost capacity that open-circuit voltage does not show"),
        ("excluded", "is ruled out: nearly all the charge was drawn."),
    ],
)
def test_the_page_says_how_it_stands_with_fade_that_voltage_hides(
    van: Analysis, state: Literal["seen", "likely", "possible", "excluded"], says: str
) -> None:
    evidence = (Text("Fully charged, it reads low."),) if state in {"seen", "likely"} else ()
    fade = Fade(state, Figure(60.0, 55.0, 65.0), 21.5, evidence)
    page = html.unescape(vehicle_page(_estimated(van, fade=fade)))
    assert says in page.replace("\u00a0", " ")


def test_without_a_capacity_nothing_is_said_of_fade_that_is_only_possible(van: Analysis) -> None:
    fade = Fade("possible", unknown_figure(Text("Too little.")), 0.0)
    assert "capacity that open-circuit voltage" not in vehicle_page(_estimated(van, fade=fade))


@pytest.mark.parametrize(
    ("drives", "celsius", "says"),
    [
        (1, 12.3, "was 0.19 A/Ah (0.14 to 0.26) in one drive, at 14.4 V, 81 % charge and 12 °C."),
        (4, math.nan, "in the middle of 4 drives, typically at 14.4 V and 81 % charge."),
    ],
)
def test_charge_acceptance_stands_with_what_it_was_seen_at(
    van: Analysis, drives: int, celsius: float, says: str
) -> None:
    seen_at = AcceptanceAt(14.38, 81.3, celsius, drives)
    figure = Figure(0.19, 0.14, 0.26)
    page = vehicle_page(_estimated(van, charge_acceptance_a_per_ah=figure, charge_acceptance_at=seen_at))
    assert says in html.unescape(page).replace("\u00a0", " ")


def test_what_was_left_on_is_not_told_as_waking_up(van: Analysis) -> None:
    (rest,) = van.estimate.rests
    begin = rest.start_ns
    lamps = WakeUp(begin, begin + 3_600_000_000_000, 8.4)
    page = vehicle_page(_estimated(van, rests=(dataclasses.replace(rest, wake_ups=(*rest.wake_ups, lamps)),)))
    text = html.unescape(page).replace("\u00a0", " ")
    assert "The vehicle woke up once while parked and drew 0.31 Ah beyond its sleep level." in text
    assert "Once something was left on while parked, such as lamps, and drew 8.4 Ah." in text


def _estimated(analysis: Analysis, **figures: object) -> Analysis:
    return dataclasses.replace(analysis, estimate=dataclasses.replace(analysis.estimate, **figures))  # type: ignore[arg-type]
