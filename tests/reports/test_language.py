"""The reader's language: every sentence has its German, numbers and dates follow the locale."""

from __future__ import annotations

import math
import string

import pytest

from estimator.estimate import Figure, unknown_figure
from idlewhy.web.sentences import translator_sees as pages_sentences
from reports.clock import Clock
from reports.language import Language, catalogue
from reports.messages import translator_sees as reports_sentences
from signal_defs.text import Text

SENTENCES = {**pages_sentences(), **reports_sentences()}
ENGLISH, GERMAN = Language("en"), Language("de")


def _fields(template: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(template) if name}


def test_every_sentence_of_reports_and_pages_has_its_german() -> None:
    missing = {text: where for text, where in SENTENCES.items() if text not in catalogue("de")}
    assert missing == {}


def test_a_translation_fills_the_same_fields() -> None:
    for template, german in catalogue("de").items():
        assert _fields(template) == _fields(german), template


def test_the_catalogue_holds_no_sentence_that_nobody_says() -> None:
    assert [template for template in catalogue("de") if template not in SENTENCES] == []


@pytest.mark.parametrize(
    ("value", "digits", "english", "german"),
    [
        (1234567.891, 2, "1,234,567.89", "1.234.567,89"),  # source: Unicode CLDR, number symbols of en and de
        (-0.04, 1, "0.0", "0,0"),  # by hand: rounds to zero, and zero has no sign
        (-12.4, 1, "−12.4", "−12,4"),
        (math.nan, 1, "unknown", "unbekannt"),
    ],
)
def test_numbers_follow_the_locale(value: float, digits: int, english: str, german: str) -> None:
    assert (ENGLISH.number(value, digits), GERMAN.number(value, digits)) == (english, german)


def test_a_text_of_an_earlier_stage_is_filled_by_locale() -> None:
    text = Text("{a:.2f} V, {b}, {c:+.1f} A, {d}", {"a": 12.345, "b": 7, "c": 2.0, "d": Text("unknown")})
    assert ENGLISH.text(text) == "12.35 V, 7, +2.0 A, unknown"
    assert GERMAN.text(text) == "12,35 V, 7, +2,0 A, unbekannt"


def test_a_condition_named_in_a_sentence_is_translated_with_it() -> None:
    template = "At {n} of {all} refused standstills “{condition}” was the only condition not met."
    text = Text(template, {"n": 7, "all": 8, "condition": "hood closed"})
    assert "„Motorhaube geschlossen“" in GERMAN.text(text)
    assert "“hood closed”" in ENGLISH.text(text)


def test_a_value_in_a_sentence_cannot_reach_into_objects() -> None:
    assert ENGLISH("{a}", a="{b.__class__}\u202e") == "{b.__class__}[U+202E]"


def test_a_figure_shows_its_band_or_says_that_it_is_unknown() -> None:
    assert ENGLISH.figure(Figure(61.4, 56.6, 66.2), 0, "%") == "61 % (57 to 66)"
    assert GERMAN.figure(unknown_figure(Text("Too little.")), 0, "%") == "unbekannt"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(4.04, "4.0 s"), (59.0, "59 s"), (200.0, "3 min 20 s"), (7500.0, "2 h 5 min"), (532_800.0, "6 d 4 h")],
)
def test_durations_have_their_two_largest_units(seconds: float, words: str) -> None:
    assert ENGLISH.duration(seconds) == words


def test_a_date_is_written_as_the_reader_writes_it() -> None:
    clock = Clock(0, absolute=True)
    at = 1_741_000_000 * 1_000_000_000  # by hand: 2025-03-03 11:06:40 UTC
    assert clock.words(at, ENGLISH) == "3 Mar 2025, 11:06:40"
    assert clock.words(at, GERMAN) == "3. März 2025, 11:06:40"


def test_a_log_without_a_date_counts_from_its_start() -> None:
    clock = Clock(5_000_000_000, absolute=False)
    assert clock.words(5_000_000_000 + 93_784 * 1_000_000_000, ENGLISH) == "1 d 02:03:04"
