"""Fade between the acid and the charge a battery can give: where it is seen, where it is not claimed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from estimator.estimate import Figure, unknown_figure
from estimator.fade import Usable, band_if_hidden, empty_anchor, find_collapse, judge_fade, proved_limit
from estimator.grid import Grid
from estimator.phases import AWAKE, RUNNING
from signal_defs.text import Text

FULL, NONE = Figure(99.0, 97.0, 100.0), unknown_figure(Text("No rest followed a full charge."))
ACID = Figure(70.0, 68.0, 72.0)
SEVENTY = Figure(70.0, 68.0, 72.0)  # per cent, where the charge was lowest


def test_between_its_ends_the_acids_charge_is_the_batterys() -> None:
    usable = Usable(full=90.0, empty=40.0)
    # by hand: 50 points of the acid are the whole, 65 % lies in the middle
    assert usable.charge(np.array([40.0, 65.0, 90.0])) == pytest.approx([0.0, 50.0, 100.0])
    assert usable.capacity(ACID).value == pytest.approx(35.0)
    assert usable.capacity(ACID).high - 35.0 > 0.5 * 2.0  # its ends are not known exactly


def test_a_sound_battery_keeps_its_figures_to_the_last_digit() -> None:
    assert Usable().capacity(ACID) is ACID
    assert Usable().spread(np.array([50.0]), np.array([0.8])) == pytest.approx([0.8])


def a_grid(volts: list[float], amps: list[float]) -> Grid:
    """Rows a second apart, ten minutes for each pair."""
    rows = 600 * len(volts)
    current = np.repeat(amps, 600)
    moved = np.cumsum(current) / 3600.0
    return Grid(
        time_ns=np.arange(rows, dtype=np.int64) * 1_000_000_000,
        voltage=np.repeat(volts, 600),
        current=current,
        temperature=np.full(rows, 25.0),
        charge_ah=moved,
        charged_ah=np.maximum(moved, 0.0),
        covered_s=np.arange(1.0, rows + 1.0),
    )


def test_a_voltage_that_gives_way_under_a_small_load_is_found_up_to_the_next_charge() -> None:
    grid = a_grid([12.2, 11.9, 10.6, 10.7, 14.2], [-5.0, -5.0, -5.0, -0.02, 20.0])
    kind = np.repeat([AWAKE, AWAKE, AWAKE, AWAKE, RUNNING], 600)
    assert find_collapse(grid, kind, 70.0) == (1200, 2400)


def test_a_dead_cell_is_no_collapse_since_it_never_had_the_voltage() -> None:
    grid = a_grid([10.7, 10.6, 10.5], [-5.0, -5.0, -5.0])
    assert find_collapse(grid, np.full(1800, AWAKE), 70.0) is None


def test_a_heavy_load_or_a_crank_is_no_collapse() -> None:
    grid = a_grid([12.2, 10.2, 12.0], [-5.0, -60.0, -5.0])
    assert find_collapse(grid, np.full(1800, AWAKE), 70.0) is None


def test_without_evidence_hidden_fade_is_possible_and_only_the_capacitys_low_limit_tells() -> None:
    fade = judge_fade(Usable(), FULL, SEVENTY, ACID, 0.9, float("nan"))
    assert fade.state == "possible"
    assert fade.proved_ah == pytest.approx(0.30 * 68.0)  # by hand: 30 points were drawn
    assert proved_limit(ACID, fade) == Figure(70.0, 0.30 * 68.0, 72.0)


@pytest.mark.parametrize(("ratio", "told"), [(1.7, float("nan")), (1.0, 60.0)])
def test_evidence_of_wear_makes_hidden_fade_likely(ratio: float, told: float) -> None:
    fade = judge_fade(Usable(), NONE, SEVENTY, ACID, ratio, told)
    assert fade.state == "likely"
    assert len(fade.evidence) == 1


def test_with_plates_lost_the_charge_is_at_least_what_is_left_above_the_lowest_seen_or_half() -> None:
    # by hand: empty at 50 % of the acid, 70 % of it is 40 % of the rest; empty at 20 %, 60 % is a half
    high = np.array([100.0, 100.0])
    assert band_if_hidden(np.array([70.0, 100.0]), high, FULL)[0] == pytest.approx([40.0, 100.0])
    assert band_if_hidden(np.array([20.0, 60.0]), high, FULL)[0] == pytest.approx([0.0, 50.0])


def test_with_acid_bound_the_charge_is_at_most_what_makes_the_highest_seen_full_or_half() -> None:
    low, high = np.array([30.0, 80.0]), np.array([40.0, 90.0])
    # by hand: full at 80 % of the acid, 40 % of it is a half
    assert band_if_hidden(low, high, NONE)[1] == pytest.approx([50.0, 100.0])
    assert band_if_hidden(low, high, FULL)[1] == pytest.approx(high)  # a full battery that rested would have shown it
    assert band_if_hidden(low / 4.0, high / 4.0, NONE)[1] == pytest.approx([20.0, 45.0])


def test_fade_is_excluded_where_nearly_all_was_drawn() -> None:
    fade = judge_fade(Usable(), FULL, Figure(5.0, 2.0, 8.0), ACID, 0.9, float("nan"))
    assert fade.state == "excluded"
    unsure = judge_fade(Usable(), FULL, Figure(5.0, 0.0, 20.0), ACID, 0.9, float("nan"))
    assert unsure.state == "possible"
    assert proved_limit(ACID, fade) is ACID


def test_where_the_voltage_gave_way_the_battery_was_empty_but_for_what_the_cold_keeps() -> None:
    warm = a_grid([12.2, 10.6], [-5.0, -5.0])
    assert empty_anchor(warm, 600).soc == pytest.approx([0.0])
    cold = replace(warm, temperature=np.full(1200, 0.0))
    # source: published table of capacity over temperature, 16 % less at 0 degC
    assert empty_anchor(cold, 600).soc == pytest.approx([16.0], abs=0.5)
    assert empty_anchor(cold, 600).sd > 2.0 * empty_anchor(warm, 600).sd
