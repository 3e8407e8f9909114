"""The [battery] and [idle_stop] tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, cast, get_args

from signal_defs.bindings import OWN_ROLE
from signal_defs.definition import Definition
from signal_defs.faults import Faults, suggest
from signal_defs.keys import BATTERY, CONDITION, IDLE_STOP, IDLE_STOP_FIGURES, THRESHOLDS
from signal_defs.platform import (
    Battery,
    BatteryType,
    Binding,
    Bus,
    Condition,
    CrankStandard,
    Group,
    IdleStopRules,
    Scope,
    signal_of,
)
from signal_defs.roles import ROLES, Kind
from signal_defs.section import Section, show

_DEFAULTS = IdleStopRules()
CELL_LIMITS_V = (10.0, 14.0)  # open-circuit voltage of six lead-acid cells lies well inside; common practice, no source


def read_battery(definition: Definition, faults: Faults) -> Battery | None:
    """The battery, None where a required key is missing."""
    top, table = definition.top(faults), definition.table.get("battery")
    if not isinstance(table, dict):
        what = "[battery] is missing" if table is None else f"battery is {show(table)}"
        top.fault("battery" if table is not None else "", what, "Write [battery] with type and capacity_ah.")
        return None
    section = top.inner(table, "[battery]", "battery")
    section.check_keys(BATTERY)
    battery_type = section.choice("type", get_args(BatteryType), required=True)
    capacity = section.number("capacity_ah", required=True, above=0.0)
    crank = section.number("cold_cranking_a", above=0.0)
    standard = section.choice("cold_cranking_standard", get_args(CrankStandard))
    if crank is not None and "cold_cranking_standard" not in table:
        mend = "Write cold_cranking_standard = one of: EN, SAE, IEC, DIN."
        section.fault("cold_cranking_a", "cold_cranking_a has no standard", mend)
    if standard is not None and "cold_cranking_a" not in table:
        mend = "Write cold_cranking_a, or take the standard out."
        section.fault("cold_cranking_standard", "the rating itself is missing", mend)
    curve = _curve(section)
    if battery_type is None or capacity is None:
        return None
    return Battery(cast("BatteryType", battery_type), capacity, crank, cast("CrankStandard | None", standard), curve)


def _curve(section: Section) -> tuple[tuple[float, float], ...]:
    given = section.table.get("ocv_v")
    if given is None:
        return ()
    mend = "Write pairs like [[0, 11.75], [50, 12.35], [100, 12.90]]: SoC in %, volts at 25 degC, both rising."
    if not isinstance(given, list) or len(given) < 2 or not all(_is_pair(pair) for pair in given):
        section.fault("ocv_v", f"ocv_v is {show(given)}", mend)
        return ()
    curve = tuple((float(soc), float(volts)) for soc, volts in given)
    if any(b[0] <= a[0] or b[1] <= a[1] for a, b in pairwise(curve)):
        section.fault("ocv_v", "ocv_v does not rise", mend)
    elif curve[0][0] < 0 or curve[-1][0] > 100:
        section.fault("ocv_v", "ocv_v leaves 0 to 100 %", mend)
    elif curve[0][1] < CELL_LIMITS_V[0] or curve[-1][1] > CELL_LIMITS_V[1]:
        section.fault("ocv_v", f"ocv_v leaves {CELL_LIMITS_V[0]:g} to {CELL_LIMITS_V[1]:g} V", mend)
    else:
        return curve
    return ()


def _is_pair(pair: Any) -> bool:
    return (
        isinstance(pair, list)
        and len(pair) == 2
        and all(isinstance(item, int | float) and not isinstance(item, bool) for item in pair)
    )


def read_rules(
    definition: Definition, bindings: Mapping[str, Binding], buses: Sequence[Bus], faults: Faults
) -> IdleStopRules:
    """The idle-stop settings and conditions; a setting left out has its default."""
    top, table = definition.top(faults), definition.table.get("idle_stop", {})
    if not isinstance(table, dict):
        top.fault("idle_stop", f"idle_stop is {show(table)}", "Write it as the table [idle_stop].")
        return IdleStopRules()
    section = top.inner(table, "[idle_stop]", "idle_stop")
    section.check_keys(IDLE_STOP)
    figures: dict[str, Any] = {}
    for name in IDLE_STOP_FIGURES:
        figures[name] = section.number(name, default=getattr(_DEFAULTS, name), low=0.0)
    return IdleStopRules(conditions=_conditions(section, bindings, buses), **figures)


def _conditions(section: Section, bindings: Mapping[str, Binding], buses: Sequence[Bus]) -> tuple[Condition, ...]:
    conditions: list[Condition] = []
    first: dict[str, int | None] = {}
    for one in section.each("condition", "[[idle_stop.condition]]", named=True):
        condition = _condition(one, bindings, buses)
        name = one.table.get("name")
        if isinstance(name, str) and name in first:
            mend = f"Line {first[name]} has the first; rename one of them."
            one.fault("name", f"a second condition is called {name!r}", mend)
        elif isinstance(name, str):
            first[name] = one.place("name").line
        if condition is not None:
            conditions.append(condition)
    return tuple(conditions)


def _condition(section: Section, bindings: Mapping[str, Binding], buses: Sequence[Bus]) -> Condition | None:
    section.check_keys(CONDITION)
    name = section.text("name", required=True)
    group = section.choice("group", get_args(Group), required=True)
    role = _role(section, bindings)
    scope = section.choice("applies_to", get_args(Scope), default="stop")
    given = [key for key in THRESHOLDS if key in section.table]
    if len(given) != 1:
        what = "has no threshold" if not given else f"has {len(given)} thresholds: {', '.join(given)}"
        mend = "Give exactly one of at_least, at_most, is; write two conditions for a window."
        section.fault(given[1] if given else "", what, mend)
    if role is not None and len(given) == 1:
        _check_threshold(section, given[0], role, bindings, buses)
    at_least, at_most = section.number("at_least"), section.number("at_most")
    equals = section.table.get("is")
    hysteresis = section.number("hysteresis", default=0.0, low=0.0)
    hold = section.number("for_s", default=0.0, low=0.0)
    source = section.text("source", default="")
    if name is None or group is None or role is None or len(given) != 1:
        return None
    return Condition(
        name=name,
        group=cast("Group", group),
        role=role,
        at_least=at_least,
        at_most=at_most,
        equals=equals if isinstance(equals, bool | str) else None,
        hysteresis=hysteresis or 0.0,
        for_s=hold or 0.0,
        applies_to=cast("Scope", scope or "stop"),
        source=source or "",
    )


def _role(section: Section, bindings: Mapping[str, Binding]) -> str | None:
    role = section.text("role", required=True)
    if role is None or role in ROLES or role in bindings:
        return role
    if OWN_ROLE.fullmatch(role):
        table = section.lines.get(("signals", role))
        if table is None:
            section.fault("role", f"[signals] has no {role}", "Bind it there, or judge by another role.")
        return None
    mend = suggest(role, [*ROLES, *bindings], "See the table of roles in signal_defs/README.md.")
    section.fault("role", f"unknown role {role!r}", mend)
    return None


_FITS: dict[Kind, str] = {"number": "at_least or at_most", "flag": "is = true or is = false", "state": 'is = "text"'}


def _check_threshold(
    section: Section, key: str, role: str, bindings: Mapping[str, Binding], buses: Sequence[Bus]
) -> None:
    kind = bindings[role].role.kind if role in bindings else ROLES[role].kind
    table, value = section.table, section.table[key]
    if key != "is":
        right = kind == "number"
    else:
        right = (kind == "flag" and isinstance(value, bool)) or (kind == "state" and isinstance(value, str))
    if not right:
        what = {"number": "a number", "flag": "a flag", "state": "a state"}[kind]
        section.fault(key, f"{role} is {what}, {key} = {show(value)} does not fit", f"Write {_FITS[kind]}.")
        return
    if kind != "number" and table.get("hysteresis"):
        section.fault("hysteresis", f"{role} is no number", "Take hysteresis out.")
    if kind == "state" and role in bindings:
        names = list(signal_of(bindings[role], buses).choices.values())
        if names and value not in names:
            mend = suggest(value, names, f"It is one of: {', '.join(names)}.")
            section.fault("is", f"{role} is never {show(value)}", mend)
