"""Words of the fleet page that are looked up by a key, and the titles of its figures, so that translators see them."""

from __future__ import annotations

from datetime import UTC, datetime

from signal_defs.text import Text

STANDING_WORDS = {
    "attention": Text("needs attention"),
    "in_order": Text("nothing stands out"),
    "too_little_data": Text("too little data"),
}
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
TITLES = (
    Text("resistance at 25 °C"),
    Text("charge at rest"),
    Text("draw while parked"),
    Text("lowest voltage at starts"),
    Text("share of standstills with the engine stopped"),
    Text("share of standstills refused for the battery alone"),
    Text("share of standstills refused"),
    Text("share of the time at standstills with the engine stopped"),
    Text("charge gained a week"),
)
COUNTED = (
    Text("cranks above 70 % charge"),
    Text("settled rests"),
    Text("nights of four hours or more"),
    Text("starts in one class of temperature"),
    Text("standstills, those too cold or too hot apart"),
    Text("minutes at standstills"),
    Text("weeks with the current known nine tenths of the time"),
)
RECORDED = (
    Text("starts with current and voltage at 20 samples a second or more"),
    Text("nights of six hours and more, parked"),
    Text("nights of four hours and more with the logger's own draw known"),
    Text("starts with voltage at 20 samples a second or more"),
    Text("drives with standstills"),
    Text("whole weeks, driving and parked"),
)


def day_words(day: float) -> str:
    """A day [days since 1970] as ISO date."""
    return datetime.fromtimestamp(day * 86400, UTC).date().isoformat()
