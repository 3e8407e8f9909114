"""Short names of roles and of conditions' groups, for pictures and tables; `signal_defs.roles` says what a role is."""

from __future__ import annotations

from reports.language import Language
from reports.plain import plain
from signal_defs.text import Text

GROUP_WORDS: dict[str, Text] = {
    "electrical": Text("electrical"),
    "safety": Text("safety"),
    "engine": Text("engine"),
    "comfort": Text("comfort"),
    "driver": Text("driver"),
    "fault": Text("fault"),
}

ROLE_WORDS: dict[str, Text] = {
    "accelerator": Text("accelerator pedal"),
    "alternator_current": Text("generator current"),
    "alternator_load": Text("generator load"),
    "alternator_setpoint": Text("generator voltage asked for"),
    "alternator_voltage": Text("generator voltage"),
    "ambient_pressure": Text("outside air pressure"),
    "ambient_temperature": Text("outside temperature"),
    "battery_capacity_coded": Text("coded capacity"),
    "battery_crank_min_voltage": Text("next crank voltage, by the sensor"),
    "battery_current": Text("battery current"),
    "battery_sensor_fault": Text("fault of the battery sensor"),
    "battery_sensor_reset": Text("battery sensor reset"),
    "battery_soc": Text("state of charge, by the sensor"),
    "battery_soc_plausible": Text("state of charge plausible, by the sensor"),
    "battery_soh": Text("state of health, by the sensor"),
    "battery_temperature": Text("battery temperature"),
    "battery_voltage": Text("battery voltage"),
    "blower_level": Text("cabin blower"),
    "board_voltage": Text("voltage at a control unit"),
    "brake_pressed": Text("brake pressed"),
    "brake_pressure": Text("brake pressure"),
    "brake_vacuum": Text("brake vacuum"),
    "cabin_target_temperature": Text("cabin temperature asked for"),
    "cabin_temperature": Text("cabin temperature"),
    "catalyst_temperature": Text("catalyst temperature"),
    "charging_fault": Text("fault of the charging system"),
    "clutch_pressed": Text("clutch pressed"),
    "compressor_request": Text("air conditioning asks for the engine"),
    "coolant_temperature": Text("coolant temperature"),
    "defrost_on": Text("front defrost"),
    "driver_belt_latched": Text("driver's belt latched"),
    "driver_door_open": Text("driver's door open"),
    "engine_fault": Text("fault that forbids idle-stop"),
    "engine_running": Text("engine running"),
    "engine_speed": Text("engine speed"),
    "gear": Text("gear"),
    "gear_neutral": Text("gear in neutral"),
    "gearbox_temperature": Text("gearbox temperature"),
    "hood_open": Text("hood open"),
    "idle_stop_active": Text("idle-stop running, by the vehicle"),
    "idle_stop_inhibit_battery": Text("inhibited by the battery, by the vehicle"),
    "idle_stop_inhibit_comfort": Text("inhibited by the climate, by the vehicle"),
    "idle_stop_inhibit_engine": Text("inhibited by the engine, by the vehicle"),
    "idle_stop_inhibit_safety": Text("inhibited for safety, by the vehicle"),
    "idle_stop_inhibited": Text("inhibited, by the vehicle"),
    "idle_stop_reason": Text("the vehicle's own reason"),
    "idle_stop_switched_off": Text("idle-stop switched off"),
    "ignition_on": Text("ignition on"),
    "jump_start_seen": Text("jump-start seen"),
    "lin_response_error": Text("error in the sensor's own frame"),
    "oil_temperature": Text("oil temperature"),
    "parking_assist_active": Text("parking assistance"),
    "particle_filter_regeneration": Text("particle filter regeneration"),
    "refresh_charging": Text("refresh charge"),
    "slope": Text("slope"),
    "stabiliser_ready": Text("voltage stabiliser ready"),
    "stability_active": Text("stability intervention"),
    "starter_active": Text("starter engaged"),
    "starter_temperature": Text("starter temperature"),
    "steering_angle": Text("steering angle"),
    "steering_rate": Text("steering rate"),
    "trailer_connected": Text("trailer connected"),
    "vehicle_speed": Text("vehicle speed"),
}


def role_words(role: str, say: Language) -> str:
    """The role's short name in the reader's language; a role of the platform's own as it is called there."""
    found = ROLE_WORDS.get(role)
    return say.text(found) if found else plain(role.removeprefix("x_").replace("_", " "))
