"""Cautions before hands-on work; each is shown once, beside the checks that need it."""

from __future__ import annotations

from reports.wording import CautionKey
from signal_defs.text import Text

# Source: common workshop practice and published stop-start, battery replacement and jump-start notes.
CAUTIONS: dict[CautionKey, Text] = {
    "engine_restarts": Text(
        "The engine can start by itself. Switch idle-stop and the ignition off and take the key away before hands go "
        "under the hood. Where a check needs ignition or engine on, a second person stays at the key, and hands and "
        "clothes stay clear of belts and fans. A hood switch in service position may allow an automatic start."
    ),
    "gas_and_acid": Text(
        "Charging a lead-acid battery makes explosive hydrogen: ventilate, no sparks, no flame. Its fill is acid: "
        "goggles, gloves, water at hand. Never charge or test a frozen battery."
    ),
    "short_circuit": Text(
        "A short circuit carries hundreds to thousands of ampere. Take rings off, use insulated tools, minus off first "
        "and on last. Measure starting current with a clamp probe only, never through a meter."
    ),
    "disconnecting": Text(
        "Taking the battery's minus off clears memories and what the battery sensor has learned. Note fault codes "
        "first and follow the maker's procedure."
    ),
    "second_store": Text(
        "Capacitor modules and second batteries stay charged after the battery is off, and their fill may burn. "
        "Isolate and discharge them as the maker says."
    ),
    "charger_ground": Text(
        "Put a charger's or jumper's minus on body ground, not on the battery post: then the sensor counts the charge, "
        "and the spark stays away from the gas."
    ),
    "road_test": Text("On a road test the driver drives and a second person watches the logger."),
}

DEFERENCE = Text(
    "The maker's instructions, local codes and licensed practice come first. This page suggests checks; it does not "
    "release a vehicle."
)
