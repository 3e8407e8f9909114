"""Findings on the battery sensor's measuring and counting: its zero, its sign, and the battery coded into it."""

from __future__ import annotations

import math

import numpy as np

from idle_stop.findings.battery import FULL_SHOWS_SOC
from idle_stop.findings.facts import CODING, Facts, Finding, finding, middle
from signal_defs.text import Text

ASLEEP_CHARGE_A = 0.03  # [A] into a sleeping battery that nothing charges; ours
CHARGER_V = 13.2  # [V] parked and above: a charger or a solar panel may be at work; common practice
DRIFT_POINTS = 5.0
DRIFT_DAYS = 2.0
SOC_APART = 12.0  # [points] between the sensor's charge and the one its rest voltage gives


def current_offset(facts: Facts) -> Finding | None:
    """The sensor's zero is off, so its count drifts away."""
    offset = facts.estimate.current_offset_a
    told = facts.zero_is_off
    lines: list[Text] = []
    if told:
        lines.append(
            Text(
                "Counting and rest voltages agree if the sensor reads {ma:+.0f} mA too much ({low:+.0f} to "
                "{high:+.0f}).",
                {"ma": 1000 * offset.value, "low": 1000 * offset.low, "high": 1000 * offset.high},
            )
        )
    asleep = _asleep_a(facts)
    if asleep > ASLEEP_CHARGE_A:
        lines.append(
            Text(
                "Parked it reads {ma:+.0f} mA, as if the battery were charged; nothing charges it then.",
                {"ma": 1000 * asleep},
            )
        )
    if told and _drifts(facts, upwards=offset.value > 0):
        lines.append(Text("The sensor's own charge drifts the same way, day by day."))
    against = [Text("A real draw of the same size looks alike: clamp it.")] if told and offset.value < 0 else []
    return finding("current_offset", "check", lines, against)


def _asleep_a(facts: Facts) -> float:
    """Median current while parked, as the sensor reads it [A]; NaN if unseen, or if a charger may be at work."""
    current, voltage = facts.trace("battery_current"), facts.trace("battery_voltage")
    if current is None or voltage is None:
        return math.nan
    parked = facts.during(current, "parked")
    if parked.sum() < 600 or middle(voltage.value[facts.during(voltage, "parked")]) > CHARGER_V:
        return math.nan
    return middle(current.value[parked])


def _drifts(facts: Facts, *, upwards: bool) -> bool:
    """Whether the sensor's charge leaves the one of the rest voltages over days, to the side its zero is off."""
    soc = facts.trace("battery_soc")
    if soc is None or len(facts.long_rests) < 3 or facts.recording.duration_s < DRIFT_DAYS * 86400:
        return False
    ends = np.array([rest.end_ns for rest in facts.long_rests])
    apart = soc.held(ends, 3600.0) - np.array([rest.soc_from_ocv.value for rest in facts.long_rests])
    known = apart[np.isfinite(apart)]
    moved = float(known[-1] - known[0]) if len(known) >= 3 else 0.0
    return abs(moved) > DRIFT_POINTS and (moved > 0) == upwards


def current_sign_wrong(facts: Facts) -> Finding | None:
    """Cranks read as charging: the definition has the sign the wrong way round."""
    if not facts.sensor.sign_wrong:
        return None
    lines = [
        Text(
            "In {n} of {all} cranks the current reads as charging while the voltage dips.",
            {"n": facts.sensor.inverted_cranks, "all": len(facts.estimate.starts)},
        )
    ]
    current, voltage = facts.trace("battery_current"), facts.trace("battery_voltage")
    if current is not None and voltage is not None:
        running = facts.during(current, "running")
        volts, amps = voltage.held(current.time_ns[running], 0.25), current.value[running]
        high, low = amps[volts > 14.0], amps[volts < 13.0]
        if len(high) > 50 and len(low) > 50 and middle(high) < middle(low):
            lines.append(
                Text(
                    "Running, it reads {a:+.0f} A at over 14 V and {b:+.0f} A below 13 V.",
                    {"a": middle(high), "b": middle(low)},
                )
            )
        elif len(high) > 50 and middle(high) < -1.0:
            lines.append(
                Text("At over 14 V it reads {a:+.0f} A, as if the battery were drawn on.", {"a": middle(high)})
            )
    against = [Text("A jump-start was seen, in which current may flow into the battery.")]
    return finding("current_sign_wrong", "act", lines, against if facts.is_true("jump_start_seen") else ())


def battery_coding_wrong(facts: Facts) -> Finding | None:
    """The vehicle counts with another capacity or type than the one fitted."""
    lines: list[Text] = []
    coded = facts.sensor.coded_capacity_percent
    if facts.is_coded_otherwise:
        lines.append(Text("The capacity coded into the sensor is {p:.0f} % of the one fitted.", {"p": coded}))
    if _counts_with_another(facts):
        lines.append(
            Text(
                "The sensor's charge moves as if the battery held {ah:.0f} Ah; {nominal:.0f} Ah are fitted.",
                {
                    "ah": facts.sensor.counted_capacity_ah.value,
                    "nominal": facts.platform.battery.capacity_nominal,
                },
            )
        )
    resistance = facts.estimate.resistance_mohm
    refused = facts.failing(lambda reason: reason.role == "battery_crank_min_voltage")
    if refused and facts.has_sound_resistance:
        lines.append(
            Text(
                "Stops refused because a weak crank was expected: {n}; yet the battery's resistance is "
                "in order, at {r:.1f} mOhm.",
                {"n": len(refused), "r": resistance.value},
            )
        )
    apart = _soc_apart(facts)
    if math.isfinite(apart):
        lines.append(
            Text("At rest the sensor's charge differs by {p:+.0f} % from what the voltage shows.", {"p": apart})
        )
    against: list[Text] = []
    if math.isfinite(apart) and len(lines) == 1:
        against.append(Text("The battery type in the platform file may be the wrong one: the voltage is read with it."))
    full = facts.sensor.ocv_at_full_soc
    if math.isfinite(apart) and full.is_known and full.high < FULL_SHOWS_SOC:
        against.append(Text("Even fully charged its voltage is low: the battery may have lost acid."))
    return finding("battery_coding_wrong", "check", lines, against)


def _counts_with_another(facts: Facts) -> bool:
    """Whether the sensor counts with a capacity that is neither the rated one nor what the battery holds now."""
    counted, nominal = facts.sensor.counted_capacity_ah, facts.platform.battery.capacity_nominal
    if not counted.is_known:
        return False
    health = facts.at_end("battery_soh") / 100.0
    holds = facts.estimate.capacity_ah.value
    low, high = counted.low * (1.0 - CODING), counted.high * (1.0 + CODING)
    return not any(low <= right <= high for right in (nominal, nominal * health, holds))


def _soc_apart(facts: Facts) -> float:
    """The sensor's charge minus that of the rest voltages, if the band does not explain it [points]; else NaN."""
    soc = facts.trace("battery_soc")
    if soc is None or not facts.long_rests or facts.sensor.reset_seen or facts.is_false("battery_soc_plausible"):
        return math.nan
    apart = soc.held(np.array([rest.end_ns for rest in facts.long_rests]), 3600.0)
    found = middle(apart - np.array([rest.soc_from_ocv.value for rest in facts.long_rests]))
    wide = max(
        max(rest.soc_from_ocv.high - rest.soc_from_ocv.value, rest.soc_from_ocv.value - rest.soc_from_ocv.low)
        for rest in facts.long_rests
    )
    return found if abs(found) > max(SOC_APART, 1.2 * wide) else math.nan
