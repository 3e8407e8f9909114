"""Roles proposed from names, units and ranges."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from signal_defs.databases.read import read_database_bytes
from signal_defs.layout import BusKind, MessageLayout, SignalLayout
from signal_defs.load import load_platform
from signal_defs.platform import Bus
from signal_defs.roles import ROLES
from signal_defs.scaffold import propose_roles
from signal_defs.scaffold_candidate import judge, normal
from signal_defs.scaffold_habits import HABITS
from signal_defs.scaffold_rules import example_conditions
from signal_defs.scaffold_text import entry, platform_text

GERMAN_DBC = """VERSION ""
NS_ :
BS_:
BU_: Motor Karosserie
BO_ 256 Motor_01: 8 Motor
 SG_ Motordrehzahl : 0|16@1+ (0.25,0) [0|16000] "U/min" Karosserie
 SG_ Kuehlmitteltemperatur : 16|8@1+ (1,-48) [-48|143] "Grad C" Karosserie
 SG_ Fahrpedalstellung : 24|8@1+ (0.4,0) [0|100] "%" Karosserie
 SG_ Kupplung_betaetigt : 32|1@1+ (1,0) [0|1] "" Karosserie
 SG_ Anlasser_aktiv : 33|2@1+ (1,0) [0|3] "" Karosserie
BO_ 512 Fahrzeug_01: 8 Karosserie
 SG_ Fahrzeuggeschwindigkeit : 0|16@1+ (0.01,0) [0|655] "km/h" Motor
 SG_ Motorhaube_offen : 16|1@1+ (1,0) [0|1] "" Motor
 SG_ Fahrertuer : 17|2@1+ (1,0) [0|3] "" Motor
 SG_ Gurtschloss_Fahrer : 19|2@1+ (1,0) [0|3] "" Motor
 SG_ Aussentemperatur : 24|8@1+ (0.5,-50) [-50|77] "Grad C" Motor
 SG_ Lenkradwinkel : 32|16@1- (0.1,0) [-800|800] "Grad" Motor
 SG_ Bremspedal_betaetigt : 48|1@1+ (1,0) [0|1] "" Motor
 SG_ Bordnetzspannung : 49|8@1+ (0.1,0) [0|25] "V" Motor
 SG_ Zuendung_ein : 57|1@1+ (1,0) [0|1] "" Motor
VAL_ 256 Anlasser_aktiv 0 "aus" 1 "aktiv" 3 "ungueltig" ;
VAL_ 512 Fahrertuer 0 "geschlossen" 1 "offen" 3 "ungueltig" ;
VAL_ 512 Gurtschloss_Fahrer 0 "nicht gesteckt" 1 "gesteckt" 3 "Fehler" ;
"""

GERMAN_LDF = """LIN_description_file;
LIN_protocol_version = "2.1";
LIN_language_version = "2.1";
LIN_speed = 19.2 kbps;
Nodes { Master: Steuergeraet, 10 ms, 0.2 ms; Slaves: Batteriesensor; }
Signals {
  U_Batt: 15, 0, Batteriesensor, Steuergeraet;
  Entladestrom: 24, 0, Batteriesensor, Steuergeraet;
  T_Batt: 8, 0, Batteriesensor, Steuergeraet;
  Ladezustand: 8, 0, Batteriesensor, Steuergeraet;
  Alterungszustand: 8, 0, Batteriesensor, Steuergeraet;
}
Frames {
  Batterie_1: 0x21, Batteriesensor, 6 { U_Batt, 0; Entladestrom, 16; T_Batt, 40; }
  Batterie_2: 0x22, Batteriesensor, 2 { Ladezustand, 0; Alterungszustand, 8; }
}
Node_attributes { Batteriesensor { LIN_protocol = "2.1"; configured_NAD = 0x02; } }
Schedule_tables { Normal { Batterie_1 delay 10 ms; Batterie_2 delay 10 ms; } }
Signal_encoding_types {
  Spannung { physical_value, 0, 32000, 1, 0, "mV"; }
  Strom { physical_value, 0, 4000000, 0.001, -2000, "A"; }
  Temperatur { physical_value, 0, 250, 0.5, -40, "Grad C"; }
  Prozent { physical_value, 0, 200, 0.5, 0, "%"; }
}
Signal_representation {
  Spannung: U_Batt;
  Strom: Entladestrom;
  Temperatur: T_Batt;
  Prozent: Ladezustand, Alterungszustand;
}
"""


def _bus(text: str, name: str, kind: BusKind) -> Bus:
    return Bus(Path(name).stem, kind, (), read_database_bytes(text.encode(), name, kind))


def _first(buses: list[Bus]) -> dict[str, str]:
    return {role: entry(ranked[0]) for role, ranked in propose_roles(buses).items()}


def test_every_role_has_a_row_of_naming_habits() -> None:
    assert list(HABITS) == list(ROLES)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("UBatt_Klemme30", "u batt klemme30"),
        ("KühlmittelTemp", "kuehlmittel temp"),
        ("BATTERY_VOLTAGE", "battery voltage"),
        ("EngineRPM2", "engine rpm2"),
    ],
)
def test_names_are_read_as_words(name: str, words: str) -> None:
    assert normal(name) == words


def test_a_german_ldf_gives_the_battery_s_roles_with_unit_and_sign() -> None:
    proposed = _first([_bus(GERMAN_LDF, "sensor.ldf", "lin")])
    assert proposed["battery_voltage"] == (
        'battery_voltage = { from = "sensor/Batterie_1.U_Batt", scale = 0.001 }'  # mV in the LDF
    )
    assert proposed["battery_current"] == (
        'battery_current = { from = "sensor/Batterie_1.Entladestrom", positive = "discharge" }'
    )
    assert proposed["battery_temperature"] == 'battery_temperature = "sensor/Batterie_1.T_Batt"'
    assert proposed["battery_soc"] == 'battery_soc = "sensor/Batterie_2.Ladezustand"'
    assert proposed["battery_soh"] == 'battery_soh = "sensor/Batterie_2.Alterungszustand"'


def test_a_german_dbc_gives_the_vehicle_s_roles() -> None:
    proposed = _first([_bus(GERMAN_DBC, "can.dbc", "can")])
    assert proposed == {
        "board_voltage": 'board_voltage = { from = "can/Fahrzeug_01.Bordnetzspannung", invalid = [255] }',
        "ignition_on": 'ignition_on = "can/Fahrzeug_01.Zuendung_ein"',
        "engine_speed": 'engine_speed = { from = "can/Motor_01.Motordrehzahl", invalid = [65535] }',
        "starter_active": 'starter_active = { from = "can/Motor_01.Anlasser_aktiv", true_when = ["aktiv"] }',
        "vehicle_speed": 'vehicle_speed = { from = "can/Fahrzeug_01.Fahrzeuggeschwindigkeit", invalid = [65535] }',
        "coolant_temperature": (
            'coolant_temperature = { from = "can/Motor_01.Kuehlmitteltemperatur", invalid = [255] }'
        ),
        "ambient_temperature": 'ambient_temperature = "can/Fahrzeug_01.Aussentemperatur"',
        "brake_pressed": 'brake_pressed = "can/Fahrzeug_01.Bremspedal_betaetigt"',
        "clutch_pressed": 'clutch_pressed = "can/Motor_01.Kupplung_betaetigt"',
        "accelerator": 'accelerator = { from = "can/Motor_01.Fahrpedalstellung", invalid = [255] }',
        "steering_angle": 'steering_angle = { from = "can/Fahrzeug_01.Lenkradwinkel", invalid = [32767] }',
        "hood_open": 'hood_open = "can/Fahrzeug_01.Motorhaube_offen"',
        "driver_door_open": 'driver_door_open = { from = "can/Fahrzeug_01.Fahrertuer", true_when = ["offen"] }',
        "driver_belt_latched": (
            'driver_belt_latched = { from = "can/Fahrzeug_01.Gurtschloss_Fahrer", true_when = ["gesteckt"] }'
        ),
    }


@pytest.mark.parametrize(("name", "least"), [("example-van", 1.0), ("example-hatch", 1.0), ("open-standard", 0.6)])
def test_the_shipped_platforms_are_found_again_from_their_databases(name: str, least: float) -> None:
    """least: share of the roles whose first proposal is the binding; the rest must be among the alternatives or not."""
    platform = load_platform(name)
    proposals = propose_roles(platform.buses)
    own = {role: binding.source for role, binding in platform.bindings.items() if role in ROLES}
    right = [role for role, source in own.items() if role in proposals and proposals[role][0].source == source]
    assert len(right) >= least * len(own)


def test_flags_with_the_opposite_name_are_turned_round() -> None:
    closed = SignalLayout("HoodClosed", 0, 1)
    found = judge("hood_open", "body", "can", "Doors", closed)
    assert found is not None
    assert found.keys["true_when"] == [0]


def test_a_signal_of_another_quantity_is_no_candidate() -> None:
    assert judge("battery_voltage", "body", "can", "Battery", SignalLayout("BatteryVoltage", 0, 8, unit="degC")) is None


def test_a_range_that_a_battery_does_not_have_speaks_against_a_signal() -> None:
    low = judge("battery_voltage", "b", "can", "M", SignalLayout("BatteryVoltage", 0, 8, scale=0.02, unit="V"))  # 5.1 V
    fit = judge("battery_voltage", "b", "can", "M", SignalLayout("BatteryVoltage", 0, 16, scale=0.001, unit="V"))
    assert low is not None
    assert fit is not None
    assert low.points < fit.points
    assert "but it can only be 0 to 5.1 V" in [str(reason) for reason in low.reasons]


def test_no_signal_is_first_for_two_roles() -> None:
    for name in ("example-van", "open-standard"):
        firsts = [ranked[0].source for ranked in propose_roles(load_platform(name).buses).values()]
        assert len(firsts) == len(set(firsts))


def test_without_accepting_anything_no_role_is_in_force() -> None:
    bus = _bus(GERMAN_LDF, "sensor.ldf", "lin")
    text = platform_text("new", "New", [bus], propose_roles([bus]))
    table = tomllib.loads(text)
    assert table["signals"] == {}
    assert table["battery"] == {}
    assert "idle_stop" not in table


def test_the_example_conditions_say_that_they_are_not_known() -> None:
    lines = example_conditions(ROLES)
    assert all(line.startswith("#") or not line for line in lines)
    tables = tomllib.loads("\n".join(line[1:] for line in lines))["idle_stop"]["condition"]
    assert len({table["name"] for table in tables}) == len(tables) == 20
    assert all("not known for this vehicle" in table["source"] for table in tables)


def test_hostile_names_stay_in_their_strings_and_comments(tmp_path: Path) -> None:
    """A name with quotes, a newline and a DEL must not put a key in force."""
    signal = SignalLayout('Battery"\nbattery_soc = "x\x7f voltage', 0, 16, scale=0.001, unit="V", comment="\n[battery]")
    message = MessageLayout('M"\n', 1, 8, (signal,))
    bus = Bus("b", "can", (), (message,))
    text = platform_text("new", 'T"\n', [bus], propose_roles([bus]), remarks=['log "\n[signals]'])
    assert tomllib.loads(text)["signals"] == {}
