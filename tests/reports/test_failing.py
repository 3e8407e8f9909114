"""Conditions that were not met, in the words of what was so."""

from __future__ import annotations

import dataclasses

from idle_stop.account import Reason, Standstill
from idle_stop.analysis import Analysis
from reports.failing import failing_all
from reports.figures.reasons import reason_bars
from reports.language import Language
from reports.summary import what_happened
from reports.vehicle import vehicle_page
from reports.view import view_of

ENGLISH, GERMAN = Language("en"), Language("de")
BELOW = Reason("state of charge", "electrical", "battery_soc", 74.0, 75.0, "%", 0)
RETURNING = dataclasses.replace(BELOW, value=76.5, threshold=78.0)


def _two_levels(van: Analysis) -> Analysis:
    """The van, each of its refusals for the charge; the second of them on the way back to 78 %."""
    refused = [one for one in van.account.standstills if one.outcome == "refused"]
    changed: list[Standstill] = [
        dataclasses.replace(one, reasons=(BELOW if place != 1 else RETURNING,)) for place, one in enumerate(refused)
    ]
    rules = van.platform.idle_stop
    first = dataclasses.replace(rules.conditions[0], hysteresis=3.0)
    rules = dataclasses.replace(rules, conditions=(first, *rules.conditions[1:]))
    return dataclasses.replace(
        van,
        platform=dataclasses.replace(van.platform, idle_stop=rules),
        account=dataclasses.replace(van.account, standstills=tuple(changed)),
    )


def test_a_condition_that_failed_at_two_levels_is_not_said_to_be_below_the_lower_each_time(van: Analysis) -> None:
    both = "the sensor's state of charge too low (below 75 %, or not yet back at 78 %)"
    assert failing_all((BELOW, RETURNING), ENGLISH) == failing_all((RETURNING, BELOW), ENGLISH) == both
    assert failing_all((BELOW, BELOW), ENGLISH) == "the sensor's state of charge below 75 %"
    assert what_happened(_two_levels(van), ENGLISH).endswith(f"each time with {both}.")
    assert "noch nicht wieder bei 78 %" in what_happened(_two_levels(van), GERMAN)


def test_a_limit_of_no_signal_is_named_by_its_condition() -> None:
    over = Reason("time limit of one stop", "driver", "", 181.2, 180.0, "s", 0)
    assert failing_all((over,), ENGLISH) == "time limit of one stop (180 s)"
    assert failing_all((over,), GERMAN) == "Höchstdauer eines Stopps (180 s)"


def test_an_upper_limit_has_its_levels_the_other_way_round() -> None:
    hot = Reason("battery not too warm", "electrical", "battery_temperature", 61.0, 60.0, "degC", 0)
    cooling = dataclasses.replace(hot, value=58.0, threshold=55.0)
    assert failing_all((hot, cooling), ENGLISH).endswith("too high (above 60 °C, or not yet back at 55 °C)")


def test_the_table_says_what_the_second_level_is(van: Analysis) -> None:
    page = vehicle_page(_two_levels(van)).replace("\u00a0", " ")
    assert "has two levels: not met past 75 %, and from then on until it is back at 78 %." in page


def test_a_bar_says_what_was_so_and_not_what_should_have_been(van: Analysis) -> None:
    notes = [note["text"] for note in reason_bars(view_of(van)).layout["annotations"]]
    assert "the hood reported open" in notes
    assert "hood closed" not in notes


def test_the_answer_names_what_ended_stops_early(van: Analysis) -> None:
    # by hand: the one stop that the van's own conditions ended was ended by the charge
    assert what_happened(van, ENGLISH).endswith(
        "The vehicle ended 1 more stop early, with the sensor's state of charge below 75 %."
    )


def test_a_legend_has_no_entry_for_bars_that_are_not_there(van: Analysis) -> None:
    counts = {"state of charge": (2, 0, 20.0)}
    view = view_of(dataclasses.replace(van, account=dataclasses.replace(van.account, reason_counts=counts)))
    assert "the only condition not met" not in [trace["name"] for trace in reason_bars(view).data]
