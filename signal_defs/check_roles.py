"""Checks of the bindings: units, codes for "not available", signs, signals used twice, roles that nothing uses."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from signal_defs.check_finding import CheckFinding
from signal_defs.costs import COSTS, missing
from signal_defs.definition import Definition
from signal_defs.faults import Faults
from signal_defs.layout import SignalLayout
from signal_defs.platform import Binding, Platform, signal_of
from signal_defs.roles import ROLES
from signal_defs.text import Text
from signal_defs.units import conversion

# Roles that the analysis looks at by itself; every other role is of use only to a condition that names it.
USED_WITHOUT_CONDITION = frozenset(
    name for name in ROLES if name.startswith(("battery_", "alternator_", "idle_stop_", "lin_"))
) | {
    *("board_voltage", "charging_fault", "refresh_charging", "stabiliser_ready", "jump_start_seen", "ignition_on"),
    *("engine_speed", "engine_running", "starter_active", "vehicle_speed", "ambient_temperature", "brake_pressed"),
    *("clutch_pressed", "accelerator", "gear_neutral", "gear", "hood_open", "driver_door_open", "compressor_request"),
}
TOLD_MISSING = 3  # of `COSTS`, those that a check tells; the rest stands on the platform's page


def check_roles(definition: Definition, platform: Platform) -> list[CheckFinding]:
    """Findings in [signals]."""
    found: list[CheckFinding] = []
    by_source: dict[str, str] = {}
    judged = {condition.role for condition in platform.idle_stop.conditions}
    for role, binding in platform.bindings.items():
        place = place_of(definition, "signals", role)
        signal = signal_of(binding, platform.buses)
        if binding.role.kind == "number":
            found += _unit(binding, signal, definition, place)
            found += _not_available(binding, signal, place)
        found += _sign(binding, signal, place)
        found += _unused(role, judged, place)
        other = by_source.setdefault(binding.source, role)
        if other != role and binding.true_when == platform.bindings[other].true_when:
            said = Text("{role} and {other} are the same signal.", {"role": role, "other": other})
            mend = Text("Keep the one that it is.")
            found.append(CheckFinding("signal_twice", "warning", place, said, mend))
    return found + _missed(platform.bindings, definition)


def place_of(definition: Definition, *keys: str | int) -> str:
    """File, line and key as a finding's place."""
    return str(definition.top(Faults()).place(*keys))


def _unit(binding: Binding, signal: SignalLayout, definition: Definition, place: str) -> Iterator[CheckFinding]:
    role = binding.role
    if role.name not in ROLES:
        return
    known = conversion(signal.unit, role.unit) if signal.unit else None
    entry = definition.table["signals"].get(role.name)
    scaled = isinstance(entry, dict) and ("scale" in entry or "offset" in entry)
    if known is None:
        if scaled:
            return
        unit = signal.unit or "no unit"
        said = Text("The database says {unit}; {wanted} is taken for granted.", {"unit": unit, "wanted": role.unit})
        mend = Text("Compare with the source of the database; write scale = 1.0 to confirm.")
        yield CheckFinding("unit_unknown", "warning" if signal.unit else "note", place, said, mend)
    elif (known.scale, known.offset) != (binding.scale, binding.offset) and not _is_near(known.scale, binding):
        said = Text(
            "From {unit} to {wanted} it takes {needed}; scale = {scale:g}, offset = {offset:g} is given.",
            {"unit": signal.unit, "wanted": role.unit, "needed": str(known)}
            | {"scale": binding.scale, "offset": binding.offset},
        )
        mend = Text("Keep it only if the database is wrong.")
        yield CheckFinding("unit_clash", "warning", place, said, mend)


def _is_near(scale: float, binding: Binding) -> bool:
    """Whether an explicit scale is the right one within 0.1 %; an offset then corrects a known error of the signal."""
    return abs(binding.scale - scale) <= abs(scale) * 1e-3


def _not_available(binding: Binding, signal: SignalLayout, place: str) -> Iterator[CheckFinding]:
    if signal.invalid or binding.invalid or signal.is_float or signal.length < 8:
        return
    top = signal.raw_limits[1]
    value = top * signal.scale + signal.offset
    outside = signal.maximum is not None and signal.minimum != signal.maximum and value > signal.maximum
    said = Text(
        "No raw value means not available: {raw} would be read as {value:g} {unit}.",
        {"raw": top, "value": value, "unit": signal.unit},
    )
    mend = Text("If it means not available, write invalid = [{raw}].", {"raw": top})
    yield CheckFinding("no_invalid_code", "warning" if outside else "note", place, said, mend)


def role_range(binding: Binding, signal: SignalLayout) -> tuple[float, float] | None:
    """Lowest and highest value a role can have, in the role's unit, without invalid codes; None if not bounded."""
    if signal.is_float or signal.is_bytes:
        return None
    ends = signal.raw_limits
    low, high = (raw * signal.scale + signal.offset for raw in _trimmed(ends, signal, binding))
    low, high = min(low, high), max(low, high)
    if signal.minimum is not None and signal.maximum is not None and signal.minimum < signal.maximum:
        low, high = max(low, signal.minimum), min(high, signal.maximum)
    first, last = (binding.sign * (value * binding.scale + binding.offset) for value in (low, high))
    return min(first, last), max(first, last)


def _trimmed(ends: tuple[int, int], signal: SignalLayout, binding: Binding) -> tuple[int, int]:
    """The raw ends without the invalid codes that lie at them."""
    low, high = ends
    codes = sorted((*signal.invalid, *((raw, raw) for raw in binding.invalid)))
    for first, last in codes:
        if first <= low <= last:
            low = last + 1
    for first, last in reversed(codes):
        if first <= high <= last:
            high = first - 1
    return (low, high) if low < high else ends


def _sign(binding: Binding, signal: SignalLayout, place: str) -> Iterator[CheckFinding]:
    if binding.role.name != "battery_current":
        return
    span = role_range(binding, signal)
    if span is not None and span[0] >= 0:
        said = Text(
            "The current goes from {low:g} to {high:g} A: it can never be drawn.", {"low": span[0], "high": span[1]}
        )
        mend = Text('Correct sign or offset of the signal, or positive = "charge" or "discharge".')
        yield CheckFinding("sign_one_sided", "error", place, said, mend)
    elif span is not None and span[0] > -200.0:
        said = Text("The current reaches down to {low:g} A only; a crank draws several hundred.", {"low": span[0]})
        mend = Text("Bind a signal of wider range, if there is one; else resistance cannot be judged from starts.")
        yield CheckFinding("range_too_small_for_cranks", "warning", place, said, mend)


def _unused(role: str, judged: set[str], place: str) -> Iterator[CheckFinding]:
    if role in judged or role in USED_WITHOUT_CONDITION:
        return
    said = Text("Nothing uses {role}: no condition names it.", {"role": role})
    mend = Text("Write a condition for it, or leave it as a trace to look at.")
    yield CheckFinding("role_unused", "note", place, said, mend)


def _missed(bindings: Mapping[str, Binding], definition: Definition) -> list[CheckFinding]:
    found = []
    for one in missing(bindings):
        if one in COSTS[:TOLD_MISSING]:
            said = Text("{roles} is not bound: {cost}", {"roles": " or ".join(one.any_of), "cost": one.cost})
            mend = Text("Bind it, if a bus carries it.")
            found.append(CheckFinding("role_missed", "note", place_of(definition, "signals"), said, mend))
    return found
