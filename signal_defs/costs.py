"""What an analysis cannot say where a role is not bound: one table for the check, the pages and the terminal."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from signal_defs.text import Text


@dataclass(frozen=True, slots=True)
class Cost:
    """any_of: roles of which one is enough. cost: what is lost without all of them. The weightiest come first."""

    any_of: tuple[str, ...]
    cost: Text


COSTS = (
    Cost(
        ("vehicle_speed",),
        Text("Standstills cannot be found: refused stops are not seen, only stops that happened, from the battery."),
    ),
    Cost(("engine_speed", "engine_running"), Text("Starts and idle-stops are found from the battery alone.")),
    Cost(("battery_temperature",), Text("Cold and warm batteries cannot be told apart; bands are wider.")),
    Cost(("battery_soc",), Text("The vehicle's own state of charge is not seen; the estimate is judged in its place.")),
    Cost(("idle_stop_active",), Text("Stops are told from the engine alone; a stalled engine looks like one.")),
    Cost(
        (
            *("idle_stop_inhibited", "idle_stop_inhibit_battery", "idle_stop_inhibit_engine"),
            *("idle_stop_inhibit_comfort", "idle_stop_inhibit_safety", "idle_stop_reason"),
        ),
        Text("The vehicle does not say why it refuses: every reason is inferred."),
    ),
    Cost(
        ("brake_pressed", "clutch_pressed", "accelerator", "gear_neutral", "gear"),
        Text("What the driver does is not seen: who ended a stop, driver or system, stays unknown."),
    ),
    Cost(
        ("board_voltage", "alternator_voltage"),
        Text("No second voltage: a bad contact and a wrong sensor cannot be told apart."),
    ),
    Cost(
        ("alternator_setpoint", "alternator_current", "alternator_load", "charging_fault"),
        Text("Charging is judged from the battery alone: smart charging and a charging fault look alike."),
    ),
    Cost(("ambient_temperature",), Text("Refusals by cold or heat are not told from others; no check after a soak.")),
    Cost(
        ("battery_sensor_reset", "battery_soc_plausible"),
        Text("A sensor that has not learned its battery is seen by its behaviour only."),
    ),
    Cost(("ignition_on",), Text("Parked and waiting with the ignition on are told apart by the current alone.")),
    Cost(("starter_active",), Text("The length of a crank is taken from the voltage.")),
    Cost(
        ("battery_soh", "battery_crank_min_voltage"), Text("The sensor's own view of the battery's health is missing.")
    ),
    Cost(("battery_capacity_coded",), Text("A battery of another size than coded cannot be proven.")),
    Cost(("lin_response_error",), Text("Errors that the sensor saw on its own line are not counted.")),
)


def missing(bound: Collection[str]) -> Sequence[Cost]:
    """The costs of a platform that binds these roles."""
    return [one for one in COSTS if not set(one.any_of) & set(bound)]
