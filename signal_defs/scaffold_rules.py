"""Idle-stop conditions to begin with: examples from published workshop lists, as comments for a person to look through.

Makers differ, and so do the levels; none of these is known to hold for the vehicle at hand.
"""

from __future__ import annotations

from collections.abc import Collection

LISTS = "example from published workshop lists; not known for this vehicle"
COMMON = "common practice, no source; not known for this vehicle"

# name, group, role, threshold as written, further keys, where it comes from
_EXAMPLES: tuple[tuple[str, str, str, str, tuple[str, ...], str], ...] = (
    ("state of charge", "electrical", "battery_soc", "at_least = 75.0", ("hysteresis = 3.0",), LISTS),
    ("battery not too cold", "electrical", "battery_temperature", "at_least = 2.0", (), LISTS),
    ("battery not too hot", "electrical", "battery_temperature", "at_most = 60.0", (), LISTS),
    ("battery voltage", "electrical", "battery_voltage", "at_least = 11.0", ('applies_to = "restart"',), LISTS),
    ("sensor has learned the battery", "electrical", "battery_sensor_reset", "is = false", (), LISTS),
    ("charging system in order", "fault", "charging_fault", "is = false", ('applies_to = "both"',), COMMON),
    ("coolant warm", "engine", "coolant_temperature", "at_least = 46.0", (), LISTS),
    ("coolant not too hot", "engine", "coolant_temperature", "at_most = 115.0", ('applies_to = "both"',), LISTS),
    ("no filter regeneration", "engine", "particle_filter_regeneration", "is = false", (), LISTS),
    ("hood closed", "safety", "hood_open", "is = false", (), LISTS),
    ("driver's door closed", "safety", "driver_door_open", "is = false", (), LISTS),
    ("driver's belt latched", "safety", "driver_belt_latched", "is = true", (), LISTS),
    ("brake vacuum", "safety", "brake_vacuum", "at_least = 40.0", ('applies_to = "both"',), LISTS),
    ("steering nearly straight", "safety", "steering_angle", "at_most = 180.0", (), COMMON),
    ("not steep", "safety", "slope", "at_most = 12.0", (), COMMON),
    ("no trailer", "safety", "trailer_connected", "is = false", (), LISTS),
    ("front defrost off", "comfort", "defrost_on", "is = false", (), LISTS),
    ("not too cold outside", "comfort", "ambient_temperature", "at_least = -10.0", (), LISTS),
    ("not too hot outside", "comfort", "ambient_temperature", "at_most = 35.0", (), LISTS),
    ("idle-stop switched on", "driver", "idle_stop_switched_off", "is = false", (), LISTS),
)

EXAMPLE_NAMES = tuple(example[0] for example in _EXAMPLES)

EXAMPLE_NAMES = tuple(example[0] for example in _EXAMPLES)


def example_conditions(roles: Collection[str]) -> list[str]:
    """Lines of commented [[idle_stop.condition]] tables, for those roles only."""
    lines: list[str] = []
    for name, group, role, threshold, more, source in _EXAMPLES:
        if role in roles:
            lines += [
                "",
                "#[[idle_stop.condition]]",
                f'#name = "{name}"',
                f'#group = "{group}"',
                f'#role = "{role}"',
                f"#{threshold}",
                *(f"#{key}" for key in more),
                f'#source = "{source}"',
            ]
    return lines
