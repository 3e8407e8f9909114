"""A condition that was not met, in words: what was so, what it had to be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from idle_stop.account import Outcome, Reason, Standstill
from reports.language import Language
from reports.plain import plain
from reports.role_words import role_words
from signal_defs.text import Text

# What is so when a flag stands in the way, by the value it has then.
_FLAGS: dict[tuple[str, bool], Text] = {
    ("battery_sensor_fault", True): Text("a fault of the battery sensor"),
    ("battery_sensor_reset", True): Text("the battery sensor not yet relearned"),
    ("battery_soc_plausible", False): Text("the sensor's state of charge not plausible"),
    ("brake_pressed", False): Text("the brake not pressed"),
    ("charging_fault", True): Text("a fault of the charging system"),
    ("clutch_pressed", False): Text("the clutch not pressed"),
    ("clutch_pressed", True): Text("the clutch pressed"),
    ("compressor_request", True): Text("the air conditioning asking for the engine"),
    ("defrost_on", True): Text("the front defrost on"),
    ("driver_belt_latched", False): Text("the driver's belt not latched"),
    ("driver_door_open", True): Text("the driver's door open"),
    ("engine_fault", True): Text("a fault that forbids idle-stop"),
    ("gear_neutral", False): Text("the gear not in neutral"),
    ("hood_open", True): Text("the hood reported open"),
    ("idle_stop_switched_off", True): Text("idle-stop switched off"),
    ("jump_start_seen", True): Text("a jump-start remembered"),
    ("lin_response_error", True): Text("an error in the sensor's own frame"),
    ("parking_assist_active", True): Text("the parking assistance active"),
    ("particle_filter_regeneration", True): Text("the particle filter regenerating"),
    ("refresh_charging", True): Text("a refresh charge under way"),
    ("stabiliser_ready", False): Text("the voltage stabiliser not ready"),
    ("stability_active", True): Text("a stability intervention"),
    ("trailer_connected", True): Text("a trailer connected"),
}
# What a limit is put on, where the role's name says more than a sentence needs.
_QUANTITIES: dict[str, Text] = {
    "battery_crank_min_voltage": Text("the voltage expected at the next crank"),
    "battery_soc": Text("the sensor's state of charge"),
    "battery_soh": Text("the sensor's state of health"),
}
# Conditions that no platform lists: the system's own, found where a stop ended.
OWN_CONDITIONS = (Text("time limit of one stop"), Text("vehicle stands"))
_DIGITS = {"%": 0, "V": 2, "A": 1, "degC": 0, "rpm": 0, "km/h": 1, "kPa": 0, "deg": 0, "s": 1}


def failing(reason: Reason, say: Language) -> str:
    """A failing condition in words: "the sensor's state of charge below 75 %", "the hood reported open"."""
    if reason.told_by_vehicle:
        return say("{name} (as the vehicle says)", name=say.name(reason.condition))
    if is_flag(reason):
        found = _FLAGS.get((reason.role, bool(reason.value)))
        words = role_words(reason.role, say)
        if found:
            return say.text(found)
        return words if reason.value else say("not: {words}", words=words)
    if not reason.role:  # a limit of the system's own, of no signal
        return f"{say.name(reason.condition)} ({quantity(reason.threshold, reason.unit, say)})"
    name = _quantity_name(reason.role, say)
    if isinstance(reason.threshold, bool | str) or isinstance(reason.value, bool | str):
        return say("{name}: {value}", name=name, value=quantity(reason.value, reason.unit, say))
    limit = quantity(reason.threshold, reason.unit, say)
    if reason.value < reason.threshold:
        return say("{name} below {limit}", name=name, limit=limit)
    return say("{name} above {limit}", name=name, limit=limit)


def failing_all(reasons: Sequence[Reason], say: Language, *, brief: bool = False) -> str:
    """One condition that failed several times; where it failed at two levels both are named, or neither if brief.

    A condition with hysteresis fails below its threshold, and from then on until its release level is passed.
    """
    first = reasons[0]
    limits = sorted({reason.threshold for reason in reasons if isinstance(reason.threshold, int | float)})
    if (
        len(limits) < 2
        or not first.role
        or is_flag(first)
        or first.told_by_vehicle
        or isinstance(first.value, bool | str)
    ):
        return failing(first, say)
    name, low = _quantity_name(first.role, say), first.value < float(first.threshold)
    if brief:
        return say("{name} too low", name=name) if low else say("{name} too high", name=name)
    limit, back = (quantity(one, first.unit, say) for one in (limits if low else limits[::-1])[:: len(limits) - 1])
    if low:
        return say("{name} too low (below {limit}, or not yet back at {back})", name=name, limit=limit, back=back)
    return say("{name} too high (above {limit}, or not yet back at {back})", name=name, limit=limit, back=back)


def failing_by_condition(
    standstills: Sequence[Standstill], outcome: Outcome, say: Language, *, brief: bool = False
) -> dict[str, str]:
    """Condition -> how it failed at the standstills of that outcome, in words."""
    found: dict[str, list[Reason]] = {}
    for one in standstills:
        for reason in one.reasons if one.outcome == outcome else ():
            found.setdefault(reason.condition, []).append(reason)
    return {name: failing_all(reasons, say, brief=brief) for name, reasons in found.items()}


def against(reason: Reason, say: Language) -> str:
    """The value and what it had to be: "65 %, must be at least 75 %"; "yes, must be no"."""
    value, limit = (quantity(one, reason.unit, say) for one in (reason.value, reason.threshold))
    if not (is_flag(reason) or isinstance(reason.threshold, bool | str) or isinstance(reason.value, bool | str)):
        if reason.value < reason.threshold:
            return say("{value}, must be at least {limit}", value=value, limit=limit)
        return say("{value}, must be at most {limit}", value=value, limit=limit)
    return say("{value}, must be {limit}", value=value, limit=limit)


def _quantity_name(role: str, say: Language) -> str:
    """What a role measures, in as few words as a sentence needs."""
    found = _QUANTITIES.get(role)
    return say.text(found) if found else role_words(role, say)


def quantity(value: float | str | bool, unit: str, say: Language) -> str:
    """A value with its unit and no false digits; yes and no for flags."""
    if isinstance(value, bool):
        return say("yes") if value else say("no")
    if isinstance(value, str):
        return plain(value)
    if unit == "bool":
        return say("yes") if value else say("no")
    whole_seconds = unit == "s" and value == round(value)
    shown = say.number(value, 0 if whole_seconds else _DIGITS.get(unit, 2))
    return f"{shown}°" if unit == "deg" else f"{shown} {unit.replace('degC', '°C')}".strip()


def is_flag(reason: Reason) -> bool:
    """Whether the reason is a yes or no."""
    return isinstance(reason.value, bool) or reason.unit == "bool"


def alone_as_far_as_seen(standstills: Iterable[Standstill]) -> Counter[str]:
    """Condition -> refusals in which it is the only one seen not met while others could not be seen."""
    refused = (one for one in standstills if one.outcome == "refused" and one.unknown_conditions)
    return Counter(one.reasons[0].condition for one in refused if len(one.reasons) == 1)
