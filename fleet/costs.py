"""What the refusals cost: seconds of idling, and the fuel burnt in them with its band and source."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fleet.fleet_data import FleetData
from fleet.intervals import Interval
from idle_stop.idling import idle_fuel, rate_source
from signal_defs.text import Text


@dataclass(frozen=True, slots=True)
class IdleCost:
    """idle_s: standing with the engine running at refused standstills [s]. refusals: how many.

    fuel_l: burnt in it [l], see `idle_stop.idling`. source: where the rate comes from.
    """

    idle_s: float
    refusals: int
    fuel_l: Interval
    source: Text


def idle_cost(data: FleetData) -> IdleCost:
    """What all refusals of the fleet cost; each vehicle at its platform's rate, else at the published one."""
    lost, refusals = data.days.of_vehicles("lost_idle_s"), data.days.of_vehicles("refused")
    given = data.vehicles["idle_l_per_h"].reindex(list(data.days.names)).astype(float)
    own = [None if math.isnan(rate) else rate for rate in given]
    fuels = [idle_fuel(idle_s, refused, rate) for idle_s, refused, rate in zip(lost, refusals, own, strict=True)]
    total = Interval(*(math.fsum(getattr(one, end) for one in fuels) for end in ("value", "low", "high")))
    source = rate_source(len(own) - own.count(None), len(own))
    return IdleCost(float(lost.sum()), int(refusals.sum()), total, source)
