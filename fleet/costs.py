"""What the refusals cost: seconds of idling, and the fuel burnt in them with its band and source."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fleet.fleet_data import FleetData
from fleet.intervals import Interval
from signal_defs.text import Text

# 0.16 to 0.17 gal/h for a 2.0 l engine and 1.48 l/h for a 4.6 l one: US DOE Fact of the Week 861.
_DEFAULT_L_PER_H = Interval(0.6, 0.6, 1.48)
_PLATFORM_BAND = 0.2  # of a rate that the platform gives; common practice, no source
_RESTART_S = 9.0  # seconds of idling that a restart burns: Gaines, Rask and Keller 2012; about 10 s is published too
_RESTART_MOST_S = 10.0


@dataclass(frozen=True, slots=True)
class IdleCost:
    """idle_s: standing with the engine running at refused standstills [s]. refusals: how many. fuel_l: burnt [l].

    fuel_l: less what the restarts would have burnt. low: the lower rate and the dearer restart; high: the higher rate
    and restarts for nothing. source: where the rate comes from.
    """

    idle_s: float
    refusals: int
    fuel_l: Interval
    source: Text


def idle_cost(data: FleetData) -> IdleCost:
    """What all refusals of the fleet cost; each vehicle at its platform's rate, else at the published one."""
    lost, refusals = data.days.of_vehicles("lost_idle_s"), data.days.of_vehicles("refused")
    rates = data.vehicles["idle_l_per_h"].reindex(list(data.days.names))
    low = value = high = 0.0
    own = 0
    for idle_s, refused, given in zip(lost, refusals, rates.astype(float), strict=True):
        if math.isfinite(given):
            own += 1
            rate = Interval(given, given * (1 - _PLATFORM_BAND), given * (1 + _PLATFORM_BAND))
        else:
            rate = _DEFAULT_L_PER_H
        value += rate.value * max(idle_s - _RESTART_S * refused, 0.0) / 3600
        low += rate.low * max(idle_s - _RESTART_MOST_S * refused, 0.0) / 3600
        high += rate.high * idle_s / 3600
    return IdleCost(float(lost.sum()), int(refusals.sum()), Interval(value, low, high), _source(own, len(lost)))


def _source(own: int, total: int) -> Text:
    if total and own == total:
        return Text("Fuel at idle as the platform says, 20 % either way; a restart counts as 9 s of idling.")
    if not own:
        return Text(
            "Fuel at idle after published figures: 0.6 l/h for a 2.0 l engine, up to 1.48 l/h for a 4.6 l one; "
            "a restart counts as 9 s of idling."
        )
    return Text(
        "Fuel at idle as the platform says for {own} of {total} vehicles, else after published figures "
        "(0.6 to 1.48 l/h); a restart counts as 9 s of idling.",
        {"own": own, "total": total},
    )
