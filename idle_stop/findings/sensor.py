"""Findings on the battery sensor: offset, sign, coding, learning, and whether it answers."""

from __future__ import annotations

import math

import numpy as np

from idle_stop.findings.facts import LONG_REST_S, Facts, finding, middle
from idle_stop.findings.finding import Finding
from signal_defs.text import Text

OFFSET_A = 0.05  # [A] 50 mA are 8.4 Ah a week
CODING = 0.15  # share by which the capacity that the sensor counts with may differ
SOC_APART = 12.0  # [%] between the sensor's charge and the one its rest voltage gives
LEARNING_ROLES = frozenset(
    {"battery_sensor_reset", "battery_soc_plausible", "refresh_charging", "jump_start_seen", "battery_sensor_fault"}
)


def current_offset(facts: Facts) -> Finding | None:
    """The sensor's zero is off, so its count drifts away."""
    offset = facts.estimate.current_offset_a
    if not offset.is_known or not (offset.low > OFFSET_A or offset.high < -OFFSET_A):
        return None
    lines = [
        Text(
            "Counting and rest voltages agree if the sensor reads {ma:+.0f} mA too much ({low:+.0f} to {high:+.0f}).",
            {"ma": 1000 * offset.value, "low": 1000 * offset.low, "high": 1000 * offset.high},
        )
    ]
    soc = facts.trace("battery_soc")
    days = facts.recording.duration_s / 86400
    if soc is not None and len(facts.long_rests) >= 3 and days > 2:
        apart = soc.held(np.array([rest.end_ns for rest in facts.long_rests]), 3600.0) - np.array(
            [rest.soc_from_ocv.value for rest in facts.long_rests]
        )
        known = apart[np.isfinite(apart)]
        if len(known) >= 3 and abs(known[-1] - known[0]) > 5 and (known[-1] > known[0]) == (offset.value > 0):
            lines.append(Text("The sensor's own charge drifts the same way, day by day."))
    return finding("current_offset", "check", lines, [Text("A real draw of the same size looks alike: clamp it.")])


def current_sign_wrong(facts: Facts) -> Finding | None:
    """Cranks read as charging: the definition has the sign the wrong way round."""
    voltage, current = facts.trace("battery_voltage"), facts.trace("battery_current")
    if voltage is None or current is None:
        return None
    large = current.valid & (np.abs(current.value) > 150)
    if large.sum() < 5:
        return None
    volts = voltage.held(current.time_ns, 0.2)
    usual = middle(volts[current.valid & (np.abs(current.value) < 50)])
    dips = large & (volts < usual - 1.0)
    backwards = dips & (current.value > 0)
    if dips.sum() < 5 or backwards.sum() < 0.8 * dips.sum():
        return None
    return finding(
        "current_sign_wrong",
        "act",
        [
            Text(
                "Where the voltage dips by over 1 V the current reads {a:+.0f} A, as if the battery were charged.",
                {"a": middle(current.value[backwards])},
            ),
            Text(
                "{n} samples say so, {m} the contrary.",
                {"n": int(backwards.sum()), "m": int((dips & ~backwards).sum())},
            ),
        ],
    )


def sensor_reset_unlearned(facts: Facts) -> Finding | None:
    """The sensor lost its supply and does not know the battery yet."""
    lines: list[Text] = []
    if facts.at_end("battery_sensor_reset") > 0:
        lines.append(Text("The sensor still says at the end of the recording that it was reset."))
    if facts.at_end("battery_soc_plausible") == 0:
        lines.append(Text("The sensor calls its own state of charge not plausible."))
    refused = facts.failing(lambda reason: reason.role in LEARNING_ROLES)
    if lines and refused:
        lines.append(Text("{n} stops were refused for it.", {"n": len(refused)}))
    soc = facts.trace("battery_soc")
    if lines and soc is not None and len(soc) > 100 and float(np.nanmax(soc.value) - np.nanmin(soc.value)) == 0:
        lines.append(Text("Its state of charge stands at {soc:.0f} % and never moves.", {"soc": float(soc.value[0])}))
    return finding("sensor_reset_unlearned", "check", lines)


def relearn_pending(facts: Facts) -> Finding | None:
    """The battery is in order; the vehicle only has not relearned it yet."""
    pending = [
        role
        for role, bad in (
            ("battery_sensor_reset", 1.0),
            ("battery_soc_plausible", 0.0),
            ("refresh_charging", 1.0),
            ("jump_start_seen", 1.0),
        )
        if facts.at_end(role) == bad
    ]
    if not pending:
        return None
    lines = [Text("At the end of the recording this is still pending: {roles}.", {"roles": ", ".join(pending)})]
    longest = max((rest.end_ns - rest.start_ns for rest in facts.estimate.rests), default=0) / 3.6e12
    if longest * 3600 < LONG_REST_S:
        lines.append(Text("The longest rest lasted {h:.1f} h; learning takes 6 to 8 h undisturbed.", {"h": longest}))
    resistance, typical = facts.estimate.resistance_mohm, facts.typical_mohm
    if resistance.is_known and resistance.value < 1.3 * typical:
        lines.append(Text("The battery's resistance, {r:.1f} mOhm, is in order.", {"r": resistance.value}))
    if facts.long_rests and middle([rest.soc_from_ocv.value for rest in facts.long_rests]) > 75:
        lines.append(Text("At rest its voltage shows it well charged."))
    return finding("relearn_pending", "note", lines) if len(lines) >= 2 else None


def battery_coding_wrong(facts: Facts) -> Finding | None:
    """The vehicle counts with another capacity or type than the one fitted."""
    lines: list[Text] = []
    coded = facts.at_end("battery_capacity_coded")
    if math.isfinite(coded) and abs(coded - 100) > 100 * CODING:
        lines.append(Text("The capacity coded into the sensor is {p:.0f} % of the one fitted.", {"p": coded}))
    counted = counted_capacity_ah(facts)
    nominal = facts.platform.battery.capacity_nominal
    if math.isfinite(counted) and abs(counted / nominal - 1) > CODING:
        lines.append(
            Text(
                "The sensor's charge moves as if the battery held {ah:.0f} Ah; {nominal:.0f} Ah are fitted.",
                {"ah": counted, "nominal": nominal},
            )
        )
    soc = facts.trace("battery_soc")
    if soc is not None and facts.long_rests and not facts.is_true("battery_sensor_reset"):
        apart = middle(
            soc.held(np.array([rest.end_ns for rest in facts.long_rests]), 3600.0)
            - np.array([rest.soc_from_ocv.value for rest in facts.long_rests])
        )
        wide = max(rest.soc_from_ocv.high - rest.soc_from_ocv.value for rest in facts.long_rests)
        if abs(apart) > max(SOC_APART, wide):
            lines.append(
                Text("At rest the sensor's charge differs by {p:+.0f} % from what the voltage shows.", {"p": apart})
            )
    return finding("battery_coding_wrong", "check", lines)


def counted_capacity_ah(facts: Facts) -> float:
    """The capacity that fits the sensor's own charge to the current [Ah]; NaN with under 8 % of movement in drives."""
    soc, current = facts.trace("battery_soc"), facts.trace("battery_current")
    if soc is None or current is None:
        return math.nan
    moved: list[tuple[float, float]] = []
    for drive in facts.estimate.drives:
        ends = soc.held(np.array([drive.start_ns, drive.end_ns]), 60.0)
        moved.append((drive.charged_ah - drive.discharged_ah, float(ends[1] - ends[0])))
    pairs = np.array([pair for pair in moved if math.isfinite(pair[1])])
    if not len(pairs) or np.abs(pairs[:, 1]).sum() < 8:
        return math.nan
    slope = float((pairs[:, 0] * pairs[:, 1]).sum() / (pairs[:, 1] ** 2).sum())
    return 100 * slope if slope > 0 else math.nan


def sensor_mute(facts: Facts) -> Finding | None:
    """The sensor's frames are asked for and do not come, or carry nothing."""
    lines: list[Text] = []
    silent = facts.recording.faults.rejected.get("lin_no_response", 0)
    answered = len(facts.recording.traces.get("battery_voltage", ()))
    if silent > 0.05 * (silent + answered):
        lines.append(Text("{n} times the sensor was asked and did not answer.", {"n": silent}))
    for role in ("battery_voltage", "battery_current"):
        trace = facts.recording.traces.get(role)
        if trace is not None and len(trace) and float(trace.valid.mean()) < 0.5:
            lines.append(
                Text(
                    '{p:.0f} % of what it sends for {role} means "not available".',
                    {"p": 100 * (1 - trace.valid.mean()), "role": role},
                )
            )
    return finding("sensor_mute", "act", lines)
