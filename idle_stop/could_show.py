"""Whether a recording could have shown a finding at all: one that is not there may only lack the data."""

from __future__ import annotations

from collections.abc import Callable

from idle_stop.analysis import Analysis
from idle_stop.findings.facts import Facts
from idle_stop.shares import wilson
from signal_defs.text import Text

_CHANCE = 0.05  # of seeing none although the rate is what it was
_REST = Text("It has no rest in which the voltage settled.")
_DRAW = Text("It does not tell the draw asleep.")
_CRANK = Text("It has no crank that was sampled well enough.")
_WARM = Text("It has no restart that was sampled well enough.")
_DRIVE = Text("It has no drive of over 20 minutes.")
_DRIVEN = Text("It has no drive.")
_SEVERAL = Text("It has fewer than three drives.")
_CAPACITY = Text("It does not tell the capacity.")
_STOP = Text("It has no idle-stop.")
_BOARD = Text("It has no second voltage.")
_CHARGE = Text("It has no rest after a full charge.")
_STANDSTILLS = Text("It has too few standstills to be sure that this is gone.")


def _rest(facts: Facts) -> bool:
    return bool(facts.long_rests)


_NEEDS: dict[str, tuple[tuple[Callable[[Facts], bool], Text], ...]] = {
    "undercharge_short_trips": ((_rest, _REST), (lambda facts: len(facts.trips) >= 3, _SEVERAL)),
    "no_charging": ((lambda facts: bool(facts.long_trips), _DRIVE),),
    "overvoltage": ((lambda facts: bool(facts.trips), _DRIVEN),),
    "parasitic_drain": ((lambda facts: facts.estimate.quiescent_ma.is_known, _DRAW),),
    "battery_resistance_high": ((lambda facts: facts.estimate.resistance_mohm.is_known, _CRANK),),
    "capacity_low": (
        (lambda facts: facts.estimate.soh_percent.is_known or facts.trace("battery_soh") is not None, _CAPACITY),
    ),
    "current_offset": ((_rest, _REST),),
    "current_sign_wrong": ((lambda facts: bool(facts.estimate.starts), _CRANK),),
    "ground_contact": (
        (lambda facts: facts.trace("board_voltage") is not None, _BOARD),
        (lambda facts: len(facts.resolved_starts) >= 2, _CRANK),
    ),
    "wrong_type_or_stratified": ((_rest, _REST),),
    "low_ocv_at_full": ((lambda facts: facts.sensor.ocv_at_full_soc.is_known, _CHARGE),),
    "shorted_cell": ((_rest, _REST),),
    "battery_coding_wrong": ((_rest, _REST),),
    "stop_load_high": ((lambda facts: bool(facts.stopped), _STOP),),
    "stabiliser_not_holding": ((lambda facts: any(s.resolved for s in facts.restarts), _WARM),),
    "starter_drag": ((lambda facts: bool(facts.warm_starts), _WARM),),
    "slow_restart_not_electrical": ((lambda facts: len(facts.restarts) >= 3, _WARM),),
}
_BY_STANDSTILLS = frozenset(
    {"single_blocker", "comfort_load", "cold_by_design", "heat_by_design", "rules_do_not_fit", "normal_cycling"}
)


def lacking(code: str, where: Analysis, other: Analysis) -> Text | None:
    """What a recording lacks to show a finding that the other one shows; None if it could have shown it.

    Findings that rest on refusals need so many standstills that, at the lowest rate the other recording allows,
    seeing not one refusal would be chance in fewer than one case in twenty.
    """
    facts = Facts(where.recording, where.estimate, where.account, where.platform)
    for met, text in _NEEDS.get(code, ()):
        if not met(facts):
            return text
    if code in _BY_STANDSTILLS:
        asked = len(other.account.asked)
        rate = wilson(len(other.account.refused), asked).low if asked else 0.0
        if (1.0 - rate) ** len(where.account.asked) > _CHANCE:
            return _STANDSTILLS
    return None
