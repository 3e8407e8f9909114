"""What the simulated vehicle is besides its battery: engine heat, cabin, and the values no story touches."""

from __future__ import annotations

import math
from dataclasses import dataclass

from idlewhy.demo.trip import Value

# Everything the platforms may ask for and no story touches: a vehicle in order, doors shut, belt on.
USUAL: dict[str, Value] = {
    "battery_soh": 92.0,
    "battery_capacity_coded": 100.0,
    "battery_sensor_reset": False,
    "battery_soc_plausible": True,
    "battery_sensor_fault": False,
    "lin_response_error": False,
    "charging_fault": False,
    "refresh_charging": False,
    "stabiliser_ready": True,
    "jump_start_seen": False,
    "catalyst_temperature": 420.0,
    "gearbox_temperature": 60.0,
    "starter_temperature": 45.0,
    "ambient_pressure": 98.0,
    "particle_filter_regeneration": False,
    "engine_fault": False,
    "brake_pressure": 1800.0,
    "gear": "Neutral",
    "steering_angle": 4.0,
    "steering_rate": 3.0,
    "idle_stop_switched_off": False,
    "hood_open": False,
    "driver_door_open": False,
    "driver_belt_latched": True,
    "slope": 1.0,
    "trailer_connected": False,
    "parking_assist_active": False,
    "stability_active": False,
    "cabin_target_temperature": 21.0,
    "defrost_on": False,
    "blower_level": 30.0,
    "compressor_request": False,
}
_COOLANT_TAU_S = 330.0  # warm from 12 degC to 60 degC in about five minutes of town driving (common practice)
_COOLANT_PARKED_TAU_S = 5400.0
_CABIN_TAU_S = 300.0


@dataclass(slots=True)
class Warmth:
    """Coolant, oil and cabin [degC], each a first-order lag; the cabin drifts to the outside with the engine off."""

    coolant: float
    oil: float
    cabin: float

    def step(self, seconds: float, ambient: float, target: float, *, engine_on: bool) -> None:
        """Carry the temperatures forward."""
        if engine_on:
            self.coolant += (91.0 - self.coolant) * -math.expm1(-seconds / _COOLANT_TAU_S)
            goal = ambient + (target - ambient) * min(1.0, max(0.0, (self.coolant - 25.0) / 30.0))
            self.cabin += (goal - self.cabin) * -math.expm1(-seconds / _CABIN_TAU_S)
        else:
            self.coolant += (ambient - self.coolant) * -math.expm1(-seconds / _COOLANT_PARKED_TAU_S)
            self.cabin += (ambient - self.cabin) * -math.expm1(-seconds / (6.0 * _CABIN_TAU_S))
        self.oil += (self.coolant - self.oil) * -math.expm1(-seconds / 200.0)


def engine_rpm(speed_kmh: float) -> float:
    """Engine speed [rpm] in a sensible gear; 820 rpm at idle."""
    if speed_kmh < 8.0:
        return 820.0 + 60.0 * speed_kmh / 8.0
    gear_kmh = next((top for top in (15.0, 28.0, 45.0, 65.0) if speed_kmh < top), 95.0)
    return 900.0 + 1500.0 * speed_kmh / gear_kmh
