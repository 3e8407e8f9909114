"""What to do about one condition that refuses idle-stop, by the role that carries it."""

from __future__ import annotations

from reports.wording import Check
from signal_defs.text import Text

SWITCH_FOLLOWS = Text(
    "It does not follow, or flickers when the wire is moved: switch, plug or wire. It follows: ask how the vehicle was "
    "driven when the log was made."
)
_STORED = Text(
    "A fault is stored: mend that first. None is stored: the signal is misread; check how the platform defines it."
)


def _follows(do: Text) -> Check:
    """Does the signal follow what is done to its switch?"""
    return Check(do, SWITCH_FOLLOWS, 10, ("engine_restarts",))


BY_ROLE: dict[str, Check] = {
    "accelerator": _follows(Text("Watch the accelerator signal live, and press and release the pedal.")),
    "brake_pressed": _follows(Text("Watch the brake signal live, and press and release the brake pedal.")),
    "brake_pressure": _follows(Text("Watch the brake pressure live, and press the brake pedal firmly.")),
    "brake_vacuum": Check(
        Text("Engine running: watch the brake vacuum live and press the brake pedal three times."),
        Text(
            "It does not come back to the limit at idle: hose, pump or servo leaks. It comes back: watch it "
            "while driving."
        ),
        10,
        ("engine_restarts",),
    ),
    "charging_fault": Check(
        Text("Read the fault memory: the vehicle itself reports a fault of the charging system."), _STORED, 10
    ),
    "clutch_pressed": _follows(Text("Watch the clutch signal live, and press and release the clutch pedal.")),
    "driver_belt_latched": _follows(Text("Watch the driver's belt signal live, and latch and release the belt.")),
    "driver_door_open": _follows(Text("Watch the driver's door signal live, and open and close the door.")),
    "engine_fault": Check(
        Text("Read the fault memory: the vehicle itself reports a fault that forbids idle-stop."), _STORED, 10
    ),
    "gear_neutral": _follows(Text("Watch the neutral signal live, and move the gear lever in and out of neutral.")),
    "hood_open": _follows(
        Text(
            "Engine off, ignition on, idle-stop switched off: one person watches the hood signal live, another works "
            "the hood latch by hand and moves its wire."
        )
    ),
    "idle_stop_switched_off": _follows(Text("Watch the idle-stop switch's signal live and press the switch.")),
    "parking_assist_active": _follows(Text("Watch the parking assistance's signal live, and switch it on and off.")),
    "particle_filter_regeneration": Check(
        Text("Drive for half an hour on an open road, so that the particle filter can finish, then repeat the drive."),
        Text("Idle-stop returns: in order. Still refused: read the fault memory for the filter."),
        40,
        ("road_test",),
    ),
    "slope": Check(
        Text("Watch the slope signal live with the vehicle on level ground."),
        Text("More than 2 % is shown: the sensor or its zero. Close to 0 %: it was the route."),
        5,
    ),
    "steering_angle": Check(
        Text("Watch the steering angle live, with the wheel straight and turned to both sides."),
        Text(
            "Straight is not near 0°: the sensor's zero is to be learned again. It is: the wheel was "
            "turned at the stops."
        ),
        5,
        ("engine_restarts",),
    ),
    "trailer_connected": Check(
        Text("Watch the trailer signal live, and plug and unplug the trailer's connector."), SWITCH_FOLLOWS, 10
    ),
}
