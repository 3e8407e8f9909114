"""A platform folder as the documentation prints it, with the two databases it names, and logs of one drive for it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from idlewhy.cli.main import main

START_S = 1_741_000_000  # 2025-03-03T11:06:40Z, by hand: a whole number of seconds after 1970
SENSOR_SOC = 71  # %, what the sensor says throughout

PLATFORM = """\
schema = 1
id = "example-van"
title = "Example van, 2.0 diesel, manual gearbox"

[[bus]]
name = "body"
kind = "can"                       # can | lin
databases = ["body.dbc"]           # DBC, KCD, SYM, ARXML for can; LDF for lin
channels = ["can0", "1"]           # what loggers call it; may be left out where the identifiers decide

[[bus]]
name = "sensor"
kind = "lin"
databases = ["sensor.ldf"]
channels = ["lin0", "sllin0"]

[signals]                          # role = "bus/message.signal", or a table
battery_voltage     = "sensor/BatteryState.TerminalVoltage"
battery_current     = { from = "sensor/BatteryState.Current", positive = "charge" }     # or "discharge"
battery_temperature = "sensor/BatteryState.Temperature"
engine_speed        = "body/Engine.Speed"
hood_open           = { from = "body/Doors.Hood", true_when = ["Open", "NotLatched"] }
coolant_temperature = { from = "body/Engine.Coolant", scale = 1.0, offset = -40.0, invalid = [255] }
x_tow_hitch         = "body/Rear.Hitch"          # roles of your own begin with x_

[battery]
type = "agm"                       # flooded | efb | agm
capacity_ah = 70                   # C/20, 25 degC
cold_cranking_a = 760
cold_cranking_standard = "EN"      # EN | SAE | IEC | DIN
# ocv_v = [[0, 11.75], [50, 12.35], [100, 12.90]]     SoC %, V at 25 degC; left out: the type's own curve

[[idle_stop.condition]]
name = "state of charge"
group = "electrical"               # safety | engine | comfort | electrical | driver | fault
role = "battery_soc"               # the sensor's own where it is broadcast, else the estimate
at_least = 75.0                    # one of: at_least, at_most, is (true/false/"text")
hysteresis = 3.0                   # optional, in the role's unit
for_s = 0.0                        # optional: must hold this long
applies_to = "stop"                # stop | restart | both
"""

BODY_DBC = """\
VERSION "1"

BU_: Body

BO_ 256 Engine: 3 Body
 SG_ Speed : 0|16@1+ (0.25,0) [0|8000] "rpm" Body
 SG_ Coolant : 16|8@1+ (1,0) [0|255] "degC" Body

BO_ 512 Doors: 1 Body
 SG_ Hood : 0|2@1+ (1,0) [0|3] "" Body

BO_ 513 Wheels: 2 Body
 SG_ Speed : 0|16@1+ (0.01,0) [0|300] "km/h" Body

BO_ 768 Rear: 1 Body
 SG_ Hitch : 0|1@1+ (1,0) [0|1] "" Body

VAL_ 512 Hood 0 "Closed" 1 "Open" 2 "NotLatched" 3 "Unknown" ;
"""

SENSOR_LDF = """\
LIN_description_file;
LIN_protocol_version = "2.2";
LIN_language_version = "2.2";
LIN_speed = 19.2 kbps;
Nodes { Master: Body, 5 ms, 0.1 ms; Slaves: Sensor; }
Signals {
    TerminalVoltage: 16, 65535, Sensor, Body;
    Current: 16, 65535, Sensor, Body;
    Temperature: 8, 255, Sensor, Body;
    StateOfCharge: 8, 255, Sensor, Body;
}
Frames {
    BatteryState: 0x21, Sensor, 8 { TerminalVoltage, 0; Current, 16; Temperature, 32; }
    BatteryCharge: 0x22, Sensor, 2 { StateOfCharge, 0; }
}
Schedule_tables { Normal { BatteryState delay 20 ms; BatteryCharge delay 20 ms; } }
Signal_encoding_types {
    Volt { physical_value, 0, 65534, 0.001, 0, "V"; logical_value, 65535, "invalid"; }
    Ampere { physical_value, 0, 65534, 0.05, -1600, "A"; logical_value, 65535, "invalid"; }
    Celsius { physical_value, 0, 254, 1, -40, "degC"; logical_value, 255, "invalid"; }
    Percent { physical_value, 0, 100, 1, 0, "%"; logical_value, 255, "invalid"; }
}
Signal_representation {
    Volt: TerminalVoltage;
    Ampere: Current;
    Celsius: Temperature;
    Percent: StateOfCharge;
}
"""

SPEED = 'engine_speed        = "body/Engine.Speed"\n'
MORE_ROLES = SPEED + 'vehicle_speed = "body/Wheels.Speed"\nbattery_soc = "sensor/BatteryCharge.StateOfCharge"\n'
HOOD_CONDITION = """
[[idle_stop.condition]]
name = "hood shut"
group = "safety"
role = "hood_open"
is = false
"""


@dataclass(frozen=True)
class Said:
    """What the command said. code: its exit code; out, err: the two streams."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Said]:
    """Call the command within this process, in an empty working folder."""
    monkeypatch.chdir(tmp_path)

    def called(*words: str | Path) -> Said:
        capsys.readouterr()
        code = main([str(word) for word in words])
        streams = capsys.readouterr()
        return Said(code, streams.out, streams.err)

    return called


def write_platform(folder: Path, *changes: tuple[str, str]) -> Path:
    """The platform as printed, with texts replaced; every text must be there."""
    folder.mkdir()
    text = PLATFORM
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    (folder / "platform.toml").write_text(text, encoding="utf-8")
    (folder / "body.dbc").write_text(BODY_DBC, encoding="utf-8")
    (folder / "sensor.ldf").write_text(SENSOR_LDF, encoding="utf-8")
    return folder


@pytest.fixture
def platform_folder(tmp_path: Path) -> Callable[..., Path]:
    """A platform folder as printed, with texts replaced."""
    return lambda *changes: write_platform(tmp_path / f"platform-{len(list(tmp_path.iterdir()))}", *changes)


@pytest.fixture(scope="session")
def whole_platform(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The platform with vehicle speed, the sensor's own state of charge and a hood condition besides."""
    folder = tmp_path_factory.mktemp("whole") / "van"
    return write_platform(folder, (SPEED, MORE_ROLES), ("[battery]", HOOD_CONDITION + "\n[battery]"))


def drive_lines(start_s: float = START_S, *, sign: int = 1, coolant: int = 120, hood: int = 0) -> list[str]:
    """A drive of 400 s as candump lines: parked, a crank, four standstills with the engine idling, parked again.

    sign: -1 writes the current with discharge positive. coolant, hood: raw values. Times have whole milliseconds.
    """
    lines = []
    for step in range(4000):
        at, now = step / 10, f"{start_s + step / 10:.3f}"
        cranking = 100 <= at < 100.6
        parked = at < 100 or at >= 390
        standing = parked or cranking or any(first <= at < first + 25 for first in (101, 170, 240, 310))
        volt, amps, rpm = (12.35, -0.05, 0) if parked else (9.9, -400.0, 250) if cranking else (14.2, 20.0, 850)
        lines.append(f"({now}) lin0 021#{_battery(volt, sign * amps)}")
        if step % 10 == 0:
            lines += [f"({now}) lin0 022#{SENSOR_SOC:02X}FF", f"({now}) can0 200#{hood:02X}", f"({now}) can0 300#00"]
        if not parked:
            lines.append(f"({now}) can0 100#{_little(rpm * 4)}{coolant:02X}")
            lines.append(f"({now}) can0 201#{_little(0 if standing else 5000)}")
    return lines


def _battery(volt: float, amps: float) -> str:
    return f"{_little(round(volt * 1000))}{_little(round((amps + 1600) / 0.05))}{20 + 40:02X}FFFFFF"


def _little(raw: int) -> str:
    return np.uint16(raw).tobytes().hex().upper()


@pytest.fixture
def drive(tmp_path: Path) -> Callable[..., Path]:
    """Write a drive's log; the arguments are those of `drive_lines`, name is the file's."""

    def write(name: str = "drive.log", lines: list[str] | None = None, **how: Any) -> Path:
        path = tmp_path / name
        path.write_text("\n".join(drive_lines(**how) if lines is None else lines) + "\n", encoding="ascii")
        return path

    return write


@pytest.fixture(scope="session")
def lines() -> list[str]:
    """The lines of the plain drive."""
    return drive_lines()
