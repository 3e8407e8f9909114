"""Checks of the idle-stop conditions: can they be judged, can they be met, can they fail?"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from signal_defs.check_finding import CheckFinding
from signal_defs.check_roles import place_of, role_range
from signal_defs.definition import Definition
from signal_defs.platform import Condition, Platform, signal_of
from signal_defs.text import Text

# Where the sensor is silent, the estimate can stand in for these.
ESTIMATED = frozenset({"battery_soc", "battery_soh", "battery_crank_min_voltage"})


def check_conditions(definition: Definition, platform: Platform) -> list[CheckFinding]:
    """Findings in [[idle_stop.condition]]."""
    conditions = platform.idle_stop.conditions
    tables = definition.table.get("idle_stop", {}).get("condition", [])
    places = {
        table["name"]: place_of(definition, "idle_stop", "condition", place)
        for place, table in enumerate(tables)
        if isinstance(table, dict) and isinstance(table.get("name"), str)
    }
    found: list[CheckFinding] = []
    if not conditions:
        said = Text("No condition is given: refusals can be counted, not explained.")
        mend = Text("Write [[idle_stop.condition]] tables.")
        found.append(CheckFinding("no_conditions", "warning", str(definition.file), said, mend))
    for condition in conditions:
        place = places.get(condition.name, str(definition.file))
        found += _judged(condition, platform, place)
        found += _reachable(condition, platform, place)
    return found + _windows(conditions, places, definition)


def _judged(condition: Condition, platform: Platform, place: str) -> Iterator[CheckFinding]:
    if condition.role in platform.bindings:
        return
    if condition.role in ESTIMATED:
        said = Text("{role} is not bound: the estimate is judged in its place.", {"role": condition.role})
        mend = Text("Bind the vehicle's own figure, if a bus carries it: it is what the vehicle decides by.")
        yield CheckFinding("condition_by_estimate", "note", place, said, mend)
        return
    said = Text("{role} is not bound: the condition stays unknown.", {"role": condition.role})
    mend = Text("Bind it in [signals]; keep the condition if it exists in the vehicle, so that it is told as unknown.")
    yield CheckFinding("condition_never_judged", "warning", place, said, mend)


def _reachable(condition: Condition, platform: Platform, place: str) -> Iterator[CheckFinding]:
    binding = platform.bindings.get(condition.role)
    if binding is None or binding.role.kind != "number":
        return
    span = role_range(binding, signal_of(binding, platform.buses))
    if span is None:
        return
    low, high = span
    values = {"low": low, "high": high, "unit": binding.role.unit, "role": condition.role}
    if condition.at_least is not None:
        never_met, always_met = condition.at_least > high, condition.at_least <= low
        back = condition.at_least + condition.hysteresis > high
    elif condition.at_most is not None:
        never_met, always_met = condition.at_most < low, condition.at_most >= high
        back = condition.at_most - condition.hysteresis < low
    else:
        return
    range_said = "{role} goes from {low:g} to {high:g} {unit}: "
    mend = Text("Compare the threshold's unit and the signal's scale with their sources.")
    if never_met:
        said = Text(range_said + "the condition is never met.", values)
        yield CheckFinding("threshold_never_met", "error", place, said, mend)
    elif always_met:
        said = Text(range_said + "the condition never fails.", values)
        yield CheckFinding("threshold_always_met", "warning", place, said, mend)
    elif back:
        said = Text(range_said + "once failed, the condition is never met again.", values)
        mend = Text("Make the hysteresis smaller.")
        yield CheckFinding("hysteresis_too_wide", "error", place, said, mend)


def _windows(conditions: tuple[Condition, ...], places: dict[str, str], definition: Definition) -> list[CheckFinding]:
    found = []
    for one, other in combinations(conditions, 2):
        if one.role == other.role and _contradict(one, other):
            said = Text('"{one}" and "{other}" can never both be met.', {"one": one.name, "other": other.name})
            mend = Text("Correct one of the two thresholds.")
            found.append(
                CheckFinding("conditions_contradict", "error", places.get(other.name, str(definition.file)), said, mend)
            )
    return found


def _contradict(one: Condition, other: Condition) -> bool:
    if one.applies_to != other.applies_to and "both" not in {one.applies_to, other.applies_to}:
        return False
    if one.equals is not None and other.equals is not None:
        return one.equals != other.equals
    windows = [(low.at_least, high.at_most) for low, high in ((one, other), (other, one))]
    return any(low is not None and high is not None and low > high for low, high in windows)
