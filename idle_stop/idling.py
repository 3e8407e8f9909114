"""What idling at refused stops burns, of one vehicle and of a fleet alike."""

from __future__ import annotations

from typing import Final

from estimator.estimate import Figure
from signal_defs.text import Text

# 0.16 gal/h for a 2.0 l engine and 0.39 gal/h for a 4.6 l one: US DOE, Fact of the Week 861
_RATE: Final = (0.6, 0.45, 1.48)  # [l/h], with its band
_OWN_BAND: Final = 0.25  # of a rate that the platform gives: common practice, no source
_RESTART_S: Final = 9.0  # seconds of idling that a restart burns: Gaines, Rask and Keller 2012
_RESTART_MOST_S: Final = 10.0  # is published too


def idle_fuel(idle_s: float, refusals: int, own_l_per_h: float | None) -> Figure:
    """Fuel that stops would have saved [l]: what idling burnt, less a restart each.

    own_l_per_h: the rate that the platform gives, None for the published one. The band's low end has the lower rate and
    the dearer restart, its high end the higher rate and restarts for nothing.
    """
    rate, low, high = _RATE
    if own_l_per_h is not None:
        rate, low, high = own_l_per_h, own_l_per_h * (1 - _OWN_BAND), own_l_per_h * (1 + _OWN_BAND)
    return Figure(
        rate * max(idle_s - _RESTART_S * refusals, 0.0) / 3600,
        low * max(idle_s - _RESTART_MOST_S * refusals, 0.0) / 3600,
        high * idle_s / 3600,
    )


def rate_source(own: int, total: int) -> Text:
    """Where the rate comes from, if so many of the vehicles have one of their platform."""
    if own == total:
        return Text("Fuel at idle as the platform gives it, 25 % either way; a restart counts as 9 s of idling.")
    if not own:
        return Text(
            "Fuel at idle after published figures (US DOE, Fact of the Week 861): 0.6 l/h for a 2.0 l engine, up to "
            "1.48 l/h for a 4.6 l one; a restart counts as 9 s of idling."
        )
    return Text(
        "Fuel at idle as the platform gives it for {own} of {total} vehicles, else after published figures "
        "(0.6 to 1.48 l/h); a restart counts as 9 s of idling.",
        {"own": own, "total": total},
    )
