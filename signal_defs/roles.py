"""What a signal can be for: the table of roles, each with its unit, kind and meaning."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["number", "flag", "state"]


@dataclass(frozen=True, slots=True)
class Role:
    """One role. unit: "" for a state, "bool" for a flag. kind: number, flag (true or false) or state (named values)."""

    name: str
    unit: str
    kind: Kind
    meaning: str


def _table(*rows: tuple[str, str, Kind, str]) -> dict[str, Role]:
    return {name: Role(name, unit, kind, meaning) for name, unit, kind, meaning in rows}


ROLES = _table(
    # the battery, as its sensor sees it
    ("battery_voltage", "V", "number", "terminal voltage at the battery's poles"),
    ("battery_current", "A", "number", "current through the battery, positive when it is charged"),
    ("battery_temperature", "degC", "number", "temperature the battery sensor reports"),
    ("battery_soc", "%", "number", "state of charge the sensor reports"),
    ("battery_soh", "%", "number", "state of health the sensor reports"),
    ("battery_crank_min_voltage", "V", "number", "lowest voltage at the next crank, as the sensor predicts it"),
    ("battery_capacity_coded", "%", "number", "rated capacity coded into the sensor, in % of the platform's"),
    ("battery_sensor_reset", "bool", "flag", "the sensor lost its supply and has not learned the battery again"),
    ("battery_soc_plausible", "bool", "flag", "the sensor calls its own state of charge plausible"),
    ("battery_sensor_fault", "bool", "flag", "the sensor reports a fault of its own"),
    ("lin_response_error", "bool", "flag", "the sensor saw an error in a frame of its own (counted by edges)"),
    # charging and the board net
    ("board_voltage", "V", "number", "voltage a control module sees, a second source beside the battery's"),
    ("alternator_voltage", "V", "number", "voltage at the generator"),
    ("alternator_setpoint", "V", "number", "voltage the generator is told to hold"),
    ("alternator_current", "A", "number", "current the generator delivers"),
    ("alternator_load", "%", "number", "load of the generator"),
    ("charging_fault", "bool", "flag", "the charging system reports a fault"),
    ("refresh_charging", "bool", "flag", "a refresh charge is running"),
    ("stabiliser_ready", "bool", "flag", "the voltage stabiliser for the control units is ready"),
    ("jump_start_seen", "bool", "flag", "the vehicle believes that it was jump-started"),
    # engine and vehicle
    ("ignition_on", "bool", "flag", "ignition on"),
    ("engine_speed", "rpm", "number", "engine speed"),
    ("engine_running", "bool", "flag", "engine runs under its own power"),
    ("starter_active", "bool", "flag", "starter engaged"),
    ("vehicle_speed", "km/h", "number", "vehicle speed"),
    ("coolant_temperature", "degC", "number", "coolant temperature"),
    ("oil_temperature", "degC", "number", "engine oil temperature"),
    ("catalyst_temperature", "degC", "number", "catalyst temperature"),
    ("gearbox_temperature", "degC", "number", "gearbox oil temperature"),
    ("ambient_temperature", "degC", "number", "air temperature outside"),
    ("ambient_pressure", "kPa", "number", "air pressure outside, absolute"),
    ("brake_vacuum", "kPa", "number", "brake booster vacuum below the air pressure (magnitude)"),
    ("particle_filter_regeneration", "bool", "flag", "particle filter is being regenerated"),
    ("starter_temperature", "degC", "number", "starter temperature, modelled or measured"),
    ("engine_fault", "bool", "flag", "a fault of engine, starter or network that forbids idle-stop"),
    # the driver
    ("brake_pressed", "bool", "flag", "brake pedal pressed"),
    ("brake_pressure", "kPa", "number", "pressure in the brake circuit, gauge"),
    ("clutch_pressed", "bool", "flag", "clutch pedal pressed"),
    ("accelerator", "%", "number", "accelerator pedal position"),
    ("gear_neutral", "bool", "flag", "gear lever in neutral"),
    ("gear", "", "state", "gear or selector position"),
    ("steering_angle", "deg", "number", "steering wheel angle, magnitude from straight ahead"),
    ("steering_rate", "deg", "number", "steering wheel angle turned in one second, magnitude"),
    ("idle_stop_switched_off", "bool", "flag", "the driver switched idle-stop off"),
    # safety
    ("hood_open", "bool", "flag", "hood not closed"),
    ("driver_door_open", "bool", "flag", "driver's door open"),
    ("driver_belt_latched", "bool", "flag", "driver's belt latched"),
    ("slope", "%", "number", "gradient of the road, magnitude"),
    ("trailer_connected", "bool", "flag", "a trailer is connected"),
    ("parking_assist_active", "bool", "flag", "parking assistance active"),
    ("stability_active", "bool", "flag", "stability or brake intervention active"),
    # comfort
    ("cabin_temperature", "degC", "number", "cabin air temperature"),
    ("cabin_target_temperature", "degC", "number", "cabin temperature asked for"),
    ("defrost_on", "bool", "flag", "front defrost on"),
    ("blower_level", "%", "number", "cabin blower level"),
    ("compressor_request", "bool", "flag", "the air conditioning asks for the engine"),
    # what the vehicle itself says of idle-stop
    ("idle_stop_active", "bool", "flag", "the vehicle says that an idle-stop is running"),
    ("idle_stop_inhibited", "bool", "flag", "the vehicle says that idle-stop is inhibited, cause not told"),
    ("idle_stop_inhibit_battery", "bool", "flag", "the vehicle says that the battery inhibits idle-stop"),
    ("idle_stop_inhibit_engine", "bool", "flag", "the vehicle says that the engine inhibits idle-stop"),
    ("idle_stop_inhibit_comfort", "bool", "flag", "the vehicle says that the climate inhibits idle-stop"),
    ("idle_stop_inhibit_safety", "bool", "flag", "the vehicle says that a safety condition inhibits idle-stop"),
    ("idle_stop_reason", "", "state", "the vehicle's own reason for refusing or ending an idle-stop"),
)

REQUIRED_ROLES = ("battery_voltage", "battery_current")
