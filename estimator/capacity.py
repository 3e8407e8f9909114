"""Capacity: percent of charge by the battery against Ah by the counting, pooled over all anchors."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from estimator.charge import Charge
from estimator.estimate import Figure, unknown_figure
from estimator.measurement import GAIN_SD
from estimator.motion import PER_AH
from signal_defs.text import Text

ENOUGH = 0.07  # a relative standard deviation above this is "not enough": 10 % are then met by five of six
NEEDED_POINTS = 20.0
NEEDED_RESTS = 10


@dataclass(frozen=True, slots=True)
class Swing:
    """What the recording offers for a capacity: settled rests, and how far the charge moved between them [points]."""

    rests: int
    points: float


def estimate_capacity(charge: Charge, swing: Swing) -> Figure:
    """Capacity now [Ah, C/20 at 25 degC], from the data alone: what the prior added is taken out again.

    Both sides are uncertain, the voltage's charge and the counted one (offset, losses, wander): the joint solution
    holds them all, and its band here is what is left of it without the prior on capacity. The current's gain, which
    counting cannot tell from capacity, is added. It is the acid's capacity:
    what of it the battery cannot give is `fade`'s subject.
    """
    after = float(charge.covariance[PER_AH, PER_AH])
    before = float(charge.prior_sd[PER_AH]) ** 2
    precision = 1.0 / after - 1.0 / before
    mean = float(charge.mean[PER_AH])
    if precision <= 0.0 or mean <= 0.0:
        return _not_enough(swing, math.inf)
    by_data = (mean / after - float(charge.prior_mean[PER_AH]) / before) / precision
    spread = math.sqrt(1.0 / precision) / max(by_data, 1e-9)
    if by_data <= 0.0 or math.hypot(spread, GAIN_SD) > ENOUGH:
        return _not_enough(swing, spread)
    half = 1.96 * math.hypot(spread, GAIN_SD)
    value = 100.0 / by_data
    return Figure(value, value * (1.0 - half), value / (1.0 - half) if half < 0.5 else 2.0 * value)


def _not_enough(swing: Swing, spread: float) -> Figure:
    if not math.isfinite(spread):
        spread = 1.0
    return unknown_figure(
        Text(
            "Not enough charge moved between rests for a capacity: long rests {rests}, {points:.0f} points of "
            "charge between them (it would be known to ±{percent:.0f} %); about {need} rests over {swing:.0f} points "
            "are needed.",
            {
                "rests": swing.rests,
                "points": swing.points,
                "percent": min(196.0 * spread, 100.0),
                "need": NEEDED_RESTS,
                "swing": NEEDED_POINTS,
            },
        )
    )


def health_of(capacity: Figure, capacity_nominal: float) -> Figure:
    """Capacity now in % of the rated one; unknown where capacity is, for the same reason."""
    if not capacity.is_known:
        return capacity
    share = 100.0 / capacity_nominal
    return Figure(capacity.value * share, capacity.low * share, capacity.high * share)


def assumed_capacity(capacity: Figure, charge: Charge) -> Figure:
    """The capacity for reckoning ahead: the estimate, else what the joint solution leaned on, as wide as it is [Ah]."""
    if capacity.is_known:
        return capacity
    per_ah = max(float(charge.mean[PER_AH]), 1e-3)
    half = 1.96 * float(np.sqrt(charge.covariance[PER_AH, PER_AH])) / per_ah
    value = 100.0 / per_ah
    return Figure(value, value * max(1.0 - half, 0.2), value * (1.0 + half))
