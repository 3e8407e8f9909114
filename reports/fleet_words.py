"""Words of the fleet page that are looked up by a key."""

from __future__ import annotations

from datetime import UTC, datetime

from signal_defs.text import Text

VERDICTS = {
    "worsening": Text("getting worse"),
    "slowly_worse": Text("getting worse, less than matters"),
    "improving": Text("getting better"),
    "stable": Text("stable"),
    "open": Text("cannot be told yet"),
    "too_little_data": Text("too little data"),
}
CHANGES = {
    "better": Text("better"),
    "worse": Text("worse"),
    "alike": Text("no change that matters"),
    "open": Text("cannot be told"),
    "too_little_data": Text("too little data"),
}
VISITS = {
    "visit": Text("workshop visit"),
    "battery": Text("battery changed"),
    "coding": Text("battery coded"),
    "reset": Text("sensor reset"),
    "sensor_reset": Text("sensor reset, seen in the data"),
    "battery_changed": Text("battery changed, seen in the data"),
}
PROPERTIES = {
    "platform": Text("platform"),
    "battery_type": Text("battery type"),
    "battery": Text("battery fitted"),
    "depot": Text("depot"),
}


def day_words(day: float) -> str:
    """A day [days since 1970] as ISO date."""
    return datetime.fromtimestamp(day * 86400, UTC).date().isoformat()
