"""A platform's parts in words: its battery's rating, a bus's channels, a condition's rule."""

from __future__ import annotations

from signal_defs.platform import Battery, Bus, Condition


def type_words(battery: Battery) -> str:
    """The battery type as people write it: flooded, EFB or AGM."""
    return battery.type if battery.type == "flooded" else battery.type.upper()


def rating_words(battery: Battery) -> str:
    """Type, capacity and cold-cranking rating."""
    words = f"{type_words(battery)}, {battery.capacity_nominal:g} Ah"
    if battery.cold_cranking_a:
        words += f", {battery.cold_cranking_a:g} A {battery.cold_cranking_standard or ''}".rstrip()
    return words


def channel_words(bus: Bus) -> str:
    """What loggers call the bus."""
    return f"channels: {', '.join(bus.channels)}" if bus.channels else "channels told by identifiers"


def rule_words(condition: Condition) -> str:
    """A condition as it reads in platform.toml."""
    if condition.at_least is not None:
        words = f"{condition.role} at least {condition.at_least:g}"
    elif condition.at_most is not None:
        words = f"{condition.role} at most {condition.at_most:g}"
    else:
        words = f"{condition.role} is {str(condition.equals).lower()}"
    words += f", {condition.hysteresis:g} to recover" if condition.hysteresis else ""
    return words + (f", for {condition.for_s:g} s" if condition.for_s else "")
