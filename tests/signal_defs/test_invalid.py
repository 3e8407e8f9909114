"""Names and ranges that mean "no value"."""

from __future__ import annotations

import pytest

from signal_defs.databases.invalid import invalid_by_j1939, invalid_by_name, means_invalid, merge_ranges

INVALID = [
    "SNA",
    "Hood_SNA",
    "NotAvailable",
    "not_available",
    "Invalid",
    "Speed_Invalid",
    "INVALID_VALUE",
    "ungültig",
    "Ungueltig",
    "nicht_verfuegbar",
    "error",
    "Error",
    "SensorError",
    "fehler",
    "Fehler",
    "void",
    "unknown",
    "Unbekannt",
    "N/A",
]
VALUES = [
    "NoError",
    "Off",
    "On",
    "Open",
    "Closed",
    "Error_Lamp",
    "ErrorCounter",
    "OK",
    "Init",
    "Normal",
    "Reserved",
    "Snack",
    "available",
    "valid",
    "gueltig",
]


@pytest.mark.parametrize("name", INVALID)
def test_a_name_that_says_there_is_no_value_is_invalid(name: str) -> None:
    assert means_invalid(name)


@pytest.mark.parametrize("name", VALUES)
def test_a_name_of_a_state_is_a_value(name: str) -> None:
    assert not means_invalid(name)


def test_a_signal_of_one_bit_has_no_invalid_value() -> None:
    assert invalid_by_name({0: "OK", 1: "error"}, 1) == ()
    assert invalid_by_name({0: "off", 1: "on", 2: "error", 3: "void"}, 2) == ((2, 3),)


def test_a_state_that_the_database_names_is_spared_from_the_j1939_ranges() -> None:
    assert invalid_by_j1939(4, {14: "Limp"}) == ((15, 15),)
    assert invalid_by_j1939(8, {0xFB: "Extended", 0xFF: "NotAvailable"}) == ((0xFC, 0xFF),)
    assert invalid_by_j1939(5, {}) == ()


def test_ranges_that_touch_become_one() -> None:
    assert merge_ranges([(5, 6), (1, 2), (3, 3), (9, 9)]) == ((1, 3), (5, 6), (9, 9))
