"""What would have helped: counts, single cures and the smallest sets, against trying every set."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from idle_stop.account import Outcome, Reason, Standstill, Verdict
from idle_stop.attribution import reason_counts
from idle_stop.cures import single_cures, smallest_cures
from idle_stop.idling import idle_fuel, rate_source

S = 1_000_000_000


def refusal(
    names: Sequence[str], seconds: float = 20.0, *, unknown: Sequence[str] = (), outcome: Outcome = "refused"
) -> Standstill:
    reasons = tuple(Reason(name, "safety", "x_role", 1.0, 0.0, "", 0) for name in names)
    verdict: Verdict = "multiple" if len(names) > 1 else "probable" if unknown else "sole" if names else "unknown"
    return Standstill(0, int((seconds + 1.5) * S), int(1.5 * S), outcome, "unknown", reasons, tuple(unknown), verdict)


CASES = [
    *[refusal(["hood"])] * 5,
    *[refusal(["charge"], unknown=["belt"])] * 3,
    refusal(["hood", "charge"], 100.0),
    refusal(["cold"]),
    refusal([]),
    refusal(["hood"], outcome="cut_short"),
]


def test_reasons_are_counted_in_refusals_sole_ones_and_idle_seconds() -> None:
    # by hand: hood 5 alone and 1 with charge; charge 3 alone, but with the belt not visible
    assert reason_counts(CASES) == {"hood": (6, 5, 200.0), "charge": (4, 0, 160.0), "cold": (1, 1, 20.0)}


def test_a_single_cure_frees_only_what_nothing_else_refused() -> None:
    found = {cure.conditions: (cure.refusals, cure.idle_s) for cure in single_cures(CASES)}
    assert found == {("hood",): (5, 100.0), ("charge",): (3, 60.0), ("cold",): (1, 20.0)}


def test_the_smallest_sets_free_80_and_100_percent_of_the_explained_refusals() -> None:
    (most, everything), said = smallest_cures(CASES)
    # by hand: ten explained refusals; hood and charge together free nine
    assert (most.conditions, most.refusals, most.idle_s) == (("charge", "hood"), 9, 260.0)
    assert (everything.conditions, everything.refusals) == (("charge", "cold", "hood"), 10)
    assert said == ()


def test_without_an_explained_refusal_there_is_no_cure() -> None:
    assert smallest_cures([refusal([])]) == ((), ())
    assert single_cures([refusal([])]) == ()


sets = st.lists(st.sets(st.sampled_from("abcdefg"), min_size=1, max_size=4), min_size=1, max_size=25)


@settings(max_examples=200, deadline=None)
@given(reasons=sets, share=st.sampled_from([0.3, 0.5, 0.8, 0.95]))
def test_no_smaller_set_frees_the_share(reasons: list[set[str]], share: float) -> None:
    (found,), _ = smallest_cures([refusal(sorted(one)) for one in reasons], (share,))
    needed = math.ceil(share * len(reasons) - 1e-9)
    names = sorted(set().union(*reasons))
    freed = {
        size: max(sum(one <= set(chosen) for one in reasons) for chosen in combinations(names, size))
        for size in range(1, len(names) + 1)
    }
    smallest = min(size for size, number in freed.items() if number >= needed)
    assert len(found.conditions) == smallest
    assert found.refusals == freed[smallest]


def test_very_many_conditions_are_grown_and_that_is_said() -> None:
    cases = [refusal([f"c{i}"]) for i in range(30)] + [refusal(["c0"])] * 10
    (most, everything), said = smallest_cures(cases)
    assert most.conditions[0] == "c0"
    assert most.refusals >= 32
    assert everything.refusals == 40
    assert "30 conditions" in str(said[0])


def test_idle_fuel_has_a_band_and_names_its_source() -> None:
    figure = idle_fuel(3600.0, 0, None)
    # source: US DOE, Fact of the Week 861: 0.16 gal/h for 2.0 l, 0.39 gal/h for 4.6 l; 1 gal = 3.785 l
    assert figure.value == pytest.approx(0.16 * 3.785, abs=0.01)
    assert figure.high == pytest.approx(0.39 * 3.785, abs=0.01)
    assert "861" in str(rate_source(0, 1))
    own = idle_fuel(1800.0, 20, 0.8)
    # by hand: 1800 s less 20 restarts of 9 s (10 s for the low end); 0.8 l/h and 25 % either way
    assert (own.value, own.low, own.high) == pytest.approx((0.36, 0.6 * 1600 / 3600, 0.5))
    assert "platform" in str(rate_source(1, 1))
    # source: Gaines, Rask and Keller 2012: a stop of 9 s burns as much as it saves
    assert idle_fuel(90.0, 10, 0.8).value == 0.0
