"""Every key that platform.toml may have, table by table: the loader, the schema's test and the README's use it."""

from __future__ import annotations

from dataclasses import fields

from signal_defs.platform import IdleStopRules

SCHEMA = 1

TOP = (
    *("schema", "id", "title", "version", "sources", "extends"),
    *("bus", "signals", "battery", "idle_stop", "golden", "protection"),
)
BUS = ("name", "kind", "databases", "channels")
SIGNAL = ("from", "positive", "true_when", "scale", "offset", "invalid")
BATTERY = ("type", "capacity_ah", "cold_cranking_a", "cold_cranking_standard", "ocv_v")
IDLE_STOP_FIGURES = tuple(item.name for item in fields(IdleStopRules) if item.name != "conditions")
IDLE_STOP = ("condition", *IDLE_STOP_FIGURES)
THRESHOLDS = ("at_least", "at_most", "is")
CONDITION = ("name", "group", "role", *THRESHOLDS, "hysteresis", "for_s", "applies_to", "source")
GOLDEN = ("bus", "identifier", "data", "roles", "note")
PROTECTION = ("bus", "message", "profile", "data_id", "data_ids", "inclusion", "crc_byte", "counter", "max_delta")
