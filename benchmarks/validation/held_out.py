"""Truths that nobody looks at while tuning: other driving, other sizes, other weather, other seeds.

They were written down before the estimator was changed with the truths of `scenarios`, and the estimator is not to be
changed with these: then they tell what to expect of a battery that nobody has seen. Whoever does tune on them moves
them to `scenarios` and writes new ones.
"""

from __future__ import annotations

from dataclasses import replace

from benchmarks.validation.battery import Design
from benchmarks.validation.cell import Chemistry
from benchmarks.validation.scenarios import (
    ACID_LEFT,
    AGM,
    AGM_GOAL,
    EFB,
    FADED_GOAL,
    FLOODED,
    FLOODED_GOAL,
    GAS_GOAL,
    SLOW_GOAL,
    STOCK_FULL,
    Scenario,
    found_flat,
    gassing,
    slow,
    weekend,
)
from benchmarks.validation.vehicle import Vehicle

TRADE_AGM_V = (11.70, 12.00, 12.30, 12.60, 12.90)  # one published charge table at 0, 25 ... 100 %


def delivery(vehicle: Vehicle) -> None:
    """Six working days of eleven stops of a few minutes, a break at noon, the night in the yard."""
    vehicle.quiescent, vehicle.stop_load = 0.035, 38.0
    vehicle.park(10.5)
    for day in range(6):
        for stop in range(11):
            vehicle.start()
            if stop in {0, 4, 8}:
                vehicle.charge(9.0)
            vehicle.cruise(float(vehicle.rng.uniform(5, 12)))
            vehicle.park(0.9 if stop == 5 else float(vehicle.rng.uniform(0.05, 0.2)))
        if day == 2:
            vehicle.lights(0.7, 12.0)
        vehicle.park(float(vehicle.rng.uniform(12, 14)))


def camping(vehicle: Vehicle) -> None:
    """Six evenings of some amperes for hours out of the battery, an hour or two on the road in between."""
    vehicle.park(5.0)
    for day in range(6):
        vehicle.start()
        vehicle.charge(float(vehicle.rng.uniform(25, 70)))
        vehicle.cruise(float(vehicle.rng.uniform(15, 30)))
        vehicle.park(2.0)
        vehicle.lights(0.055 * vehicle.battery.design.rated * vehicle.battery.design.grown, 4.5 + 0.3 * day)
        vehicle.park(float(vehicle.rng.uniform(9, 13)))
    vehicle.start()
    vehicle.charge(120.0)
    vehicle.park(9.0)


def _design(base: Design, rated: float, grown: float = 1.0, acid: float = 1.0, left: float | None = None) -> Design:
    """A design of another size. grown: what it holds, with its acid. acid: left. left: share of its plates left."""
    chemistry = replace(base.chemistry, acid=acid)
    if left is not None:
        chemistry = replace(chemistry, active=left * STOCK_FULL)
    return replace(base, rated=rated, grown=grown, chemistry=chemistry)


TRADE_AGM = replace(AGM, chemistry=Chemistry(tuple(zip(ACID_LEFT, TRADE_AGM_V, strict=True))))
HEALTHY_AGM, HEALTHY_FLOODED, HIDDEN = "healthy AGM", "healthy flooded, EFB", "fade OCV cannot show"
HELD_OUT = (
    Scenario("fresh-agm-weekend", HEALTHY_AGM, _design(AGM, 80.0), weekend, 78.0, AGM_GOAL, air=12.0, seed=101),
    Scenario("fresh-agm-delivery", HEALTHY_AGM, _design(AGM, 95.0), delivery, 71.0, AGM_GOAL, air=28.0, seed=102),
    Scenario("fresh-agm-frost", HEALTHY_AGM, _design(AGM, 60.0), delivery, 83.0, AGM_GOAL, air=-8.0, seed=103),
    Scenario("fresh-agm-camping", HEALTHY_AGM, _design(AGM, 95.0), camping, 91.0, AGM_GOAL, air=16.0, seed=104),
    Scenario("fresh-agm-trade", HEALTHY_AGM, _design(TRADE_AGM, 70.0), weekend, 80.0, AGM_GOAL, air=4.0, seed=105),
    Scenario(
        "fresh-flooded-delivery",
        HEALTHY_FLOODED,
        _design(FLOODED, 45.0),
        delivery,
        82.0,
        FLOODED_GOAL,
        air=30.0,
        seed=106,
    ),
    Scenario(
        "fresh-flooded-weekend",
        HEALTHY_FLOODED,
        _design(FLOODED, 74.0),
        weekend,
        76.0,
        FLOODED_GOAL,
        air=-3.0,
        seed=107,
    ),
    Scenario("fresh-efb-camping", HEALTHY_FLOODED, _design(EFB, 65.0), camping, 88.0, FLOODED_GOAL, air=8.0, seed=108),
    Scenario(
        "fresh-agm-slow", "slow relaxation", slow(_design(AGM, 80.0)), camping, 80.0, SLOW_GOAL, air=10.0, seed=109
    ),
    Scenario(
        "fresh-flooded-gassing",
        "strong gassing",
        gassing(_design(FLOODED, 60.0)),
        weekend,
        87.0,
        GAS_GOAL,
        air=24.0,
        seed=110,
    ),
    Scenario(
        "fresh-efb-gassing", "strong gassing", gassing(_design(EFB, 70.0)), camping, 83.0, GAS_GOAL, air=19.0, seed=117
    ),
    Scenario(
        "fresh-agm-faded-70",
        "faded with its acid",
        _design(AGM, 80.0, 0.7),
        camping,
        86.0,
        FADED_GOAL,
        air=14.0,
        seed=111,
    ),
    Scenario(
        "fresh-flooded-faded-75",
        "faded with its acid",
        _design(FLOODED, 60.0, 0.75),
        weekend,
        84.0,
        FADED_GOAL,
        air=18.0,
        seed=112,
    ),
    Scenario("fresh-agm-plates-lost", HIDDEN, _design(AGM, 80.0, left=0.7), weekend, 88.0, None, air=15.0, seed=113),
    Scenario("fresh-agm-lost-flat", HIDDEN, _design(AGM, 95.0, left=0.5), found_flat, 85.0, None, air=9.0, seed=114),
    Scenario(
        "fresh-flooded-sulphated", HIDDEN, _design(FLOODED, 70.0, acid=0.8), weekend, 85.0, None, air=17.0, seed=115
    ),
    Scenario("fresh-agm-sulphated", HIDDEN, _design(AGM, 60.0, acid=0.65), camping, 90.0, None, air=22.0, seed=116),
)
