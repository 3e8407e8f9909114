"""Databases without a platform.toml: one is proposed, accepted line by line, checked, and the recording analysed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import signal_defs
from idlewhy.web.proposals import accepted, open_battery_keys, proposals

LDF = Path(signal_defs.__file__).parent / "platforms/example-hatch/sensor.ldf"
TEXT = """\
[signals]

# battery_voltage: terminal voltage
# strong: its name says "batt"; its unit is V
#battery_voltage = "sensor/Fast.Voltage"
# or battery_voltage = "sensor/Slow.Voltage"

# battery_current: current
# weak: it has no unit
#battery_current = { from = "sensor/Fast.Current", positive = "charge" }

# engine_speed: engine speed. Required; nothing in the databases looks like it.
#engine_speed = "bus/message.signal"

[battery]
#type = "agm"  # flooded, efb or agm
#capacity_ah = 70

#[[idle_stop.condition]]
#name = "state of charge"
"""


def test_only_proposals_for_roles_are_offered_each_with_its_reasons() -> None:
    found = [(one.role, one.line, one.why, one.is_likely) for one in proposals(TEXT)]
    assert found == [  # by hand: lines of the text above, from 0
        ("battery_voltage", 4, 'strong: its name says "batt"; its unit is V', True),
        ("battery_current", 9, "weak: it has no unit", False),
    ]
    assert open_battery_keys(TEXT) == ["type", "capacity_ah"]


def test_what_is_accepted_loses_its_sign_and_the_rest_stays() -> None:
    text = accepted(TEXT, {4, 12, 15}, {"type": "efb", "capacity_ah": '70"\n[x]', "id": "evil"})
    changed = [(old, new) for old, new in zip(TEXT.splitlines(), text.splitlines(), strict=True) if old != new]
    assert changed == [
        ('#battery_voltage = "sensor/Fast.Voltage"', 'battery_voltage = "sensor/Fast.Voltage"'),
        ('#type = "agm"  # flooded, efb or agm', 'type = "efb"'),
    ]


def test_databases_alone_get_a_platform_that_names_no_place_on_the_server(site: Any) -> None:
    import base64

    body = {"files": {"sensor.ldf": base64.b64encode(LDF.read_bytes()).decode()}}
    made = site.call("POST", "/api/v1/platforms", json=body)
    assert made.status_code == 201, made.text
    platform = made.json()["id"].removeprefix("own:")
    text = site.application.office.platforms.files(platform)["platform.toml"].decode()
    assert str(site.settings.folder) not in text
    assert {"battery_voltage", "battery_current"} <= {one.role for one in proposals(text)}
    assert {one["place"].rpartition(" ")[2] for one in made.json()["findings"]} <= {"[signals]", "[battery]"}


def test_a_database_that_cannot_be_read_is_refused_by_its_own_name(site: Any) -> None:
    body = {"files": {"broken.ldf": "AAAA"}}
    answer = site.call("POST", "/api/v1/platforms", json=body)
    assert answer.status_code == 422
    assert "broken.ldf" in answer.json()["detail"]
    assert str(site.settings.folder) not in answer.text
