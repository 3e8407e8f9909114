"""Checks made concrete: the battery that is fitted, and the signal that refuses."""

from __future__ import annotations

import dataclasses

import pytest

from idle_stop.analysis import Analysis, Finding
from reports.analysis_json import analysis_to_json
from reports.checks_by_role import BY_ROLE
from reports.findings import wording
from reports.fitted_wording import fitted_wording
from reports.language import Language
from reports.summary import what_first
from signal_defs.platform import Battery, BatteryType
from signal_defs.roles import ROLES
from signal_defs.text import Text

ENGLISH, GERMAN = Language("en"), Language("de")
CHARGE = Finding("undercharge_short_trips", "act", False, (Text("Short."),))


def _blocked_by(condition: str) -> Finding:
    return Finding("single_blocker", "act", False, (Text("“{condition}” alone.", {"condition": condition}),))


def _with(van: Analysis, battery: Battery) -> Analysis:
    return dataclasses.replace(van, platform=dataclasses.replace(van.platform, battery=battery))


# source: published workshop pages and AGM manuals
@pytest.mark.parametrize(
    ("kind", "english", "german"),
    [
        ("flooded", "Below 12.4 V in a flooded battery: ", "Unter 12,4 V bei einer Nassbatterie: "),
        ("efb", "Below 12.4 V in an EFB battery: ", "Unter 12,4 V bei einer EFB-Batterie: "),
        ("agm", "Below 12.6 V in an AGM battery: ", "Unter 12,6 V bei einer AGM-Batterie: "),
    ],
)
def test_the_rest_voltage_asked_for_is_that_of_the_battery_fitted(
    van: Analysis, kind: BatteryType, english: str, german: str
) -> None:
    decides = fitted_wording(CHARGE, _with(van, Battery(kind, 70.0))).checks[0].decides
    assert ENGLISH.text(decides).startswith(english)
    assert GERMAN.text(decides).startswith(german)


def test_what_the_log_has_measured_is_not_asked_for(van: Analysis) -> None:
    rested = dataclasses.replace(CHARGE, evidence=(Text("At rest {volt:.2f} V.", {"volt": 12.21}),))
    asked, answered = (fitted_wording(one, van).checks for one in (CHARGE, rested))
    assert answered == asked[1:]


def test_the_load_of_a_load_test_is_half_the_rating(van: Analysis) -> None:
    found = Finding("battery_resistance_high", "act", False, (Text("High."),))
    asked = [ENGLISH.text(one.do) for one in fitted_wording(found, van).checks]
    assert any("load it with 380 A" in do for do in asked)  # by hand: 760 A / 2
    unrated = [ENGLISH.text(one.do) for one in fitted_wording(found, _with(van, Battery("agm", 70.0))).checks]
    assert any("load it with half its cold-cranking current" in do for do in unrated)


def test_the_first_check_of_a_blocking_switch_names_it(van: Analysis) -> None:
    blocked = dataclasses.replace(van, findings=(_blocked_by("hood closed"),))
    assert what_first(blocked, ENGLISH).endswith(
        "watches the hood signal live, another works the hood latch by hand and moves its wire."
    )
    first = analysis_to_json(blocked)["findings"][0]["next_checks"][0]
    assert "watches the hood signal live" in first


def test_a_condition_whose_signal_is_not_known_is_named_instead(van: Analysis) -> None:
    blocked = dataclasses.replace(van, findings=(_blocked_by("tail lift folded"),))
    assert what_first(blocked, ENGLISH).startswith("First, for “tail lift folded”: Watch the refusing signal live")


def test_other_findings_keep_their_checks(van: Analysis) -> None:
    found = Finding("comfort_load", "check", False, (Text("“{condition}”", {"condition": "hood closed"}),))
    assert fitted_wording(found, van) == wording("comfort_load")


def test_checks_are_written_for_roles_that_exist() -> None:
    assert set(BY_ROLE) <= set(ROLES)
