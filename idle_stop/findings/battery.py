"""Findings on the battery itself and on what cranking shows: resistance, capacity, cell, starter, restart."""

from __future__ import annotations

import math

import numpy as np

from estimator.estimate import Start
from idle_stop.findings.facts import LONG_REST_S, Facts, finding, middle
from idle_stop.findings.finding import Finding
from signal_defs.text import Text

HIGH_RESISTANCE = 1.5  # times what the rating leads to expect; common practice, no source
WARM_C = 10.0  # [degC] above it a crank counts as warm; common practice, no source
WARM_MIN_V = 9.6  # [V] lower in a warm crank is suspect; published workshop lists give 9.5 to 9.6 V
LOW_CAPACITY = 80.0  # [%] of the rating; below 70 to 80 % a battery is replaced; common practice, no source
SLOW_RESTART_S = 0.8  # [s] starter on to engine running; common practice, no source
SLOW_CRANK_S = 1.0  # [s] starter on to starter off in a warm crank; common practice, no source
HIGH_CRANK_A = 400.0  # [A] plateau of a warm crank; published training sheets: petrol 100-300 A, diesel 400 A and more
OVERFULL_V = {"flooded": 12.85, "efb": 12.95, "agm": 13.15}  # [V] rested; above what the type shows when full
CELL_GONE_V = (10.2, 11.0)  # [V] rested with one of six cells shorted; common practice, no source


def battery_resistance_high(facts: Facts) -> Finding | None:
    """The battery gives way too much under load."""
    resistance = facts.estimate.resistance_mohm
    expected = facts.typical_mohm
    lines: list[Text] = []
    if resistance.is_known and resistance.low > HIGH_RESISTANCE * expected:
        lines.append(
            Text(
                "Resistance at cranking is {r:.1f} mOhm at 25 °C (at least {low:.1f}); about {typical:.1f} is to be "
                "expected of its rating.",
                {"r": resistance.value, "low": resistance.low, "typical": expected},
            )
        )
    weak = [s for s in facts.resolved_starts if s.temperature_c > WARM_C and s.min_v < WARM_MIN_V]
    if weak and len(weak) * 2 > len([s for s in facts.resolved_starts if s.temperature_c > WARM_C]):
        lines.append(
            Text(
                "In {n} warm cranks the voltage fell below {limit:.1f} V, to {volt:.2f} V at the lowest.",
                {"n": len(weak), "limit": WARM_MIN_V, "volt": min(start.min_v for start in weak)},
            )
        )
    refused = facts.failing(lambda reason: reason.role == "battery_crank_min_voltage")
    if refused:
        lines.append(Text("The vehicle refused {n} stops for the crank voltage it foresees.", {"n": len(refused)}))
    against: list[Text] = []
    if lines and facts.estimate.soc_min.is_known and facts.estimate.soc_min.high < 50:
        against.append(Text("The battery was under half charged, which raises resistance: charge, then measure."))
    slope = contact_mohm(facts)
    if lines and math.isfinite(slope) and slope > CONTACT_MOHM:
        against.append(Text("Part of it may lie in a contact: see the voltage between battery and control unit."))
    measured = resistance.is_known and resistance.low > HIGH_RESISTANCE * expected
    return finding("battery_resistance_high", "act", lines, against, capped=not measured) if lines else None


def capacity_low(facts: Facts) -> Finding | None:
    """The battery holds less than it should."""
    soh, told = facts.estimate.soh_percent, facts.at_end("battery_soh")
    lines: list[Text] = []
    if soh.is_known and soh.high < LOW_CAPACITY:
        lines.append(
            Text(
                "Counted between rests, it holds {ah:.0f} Ah, {soh:.0f} % of its rating (at most {high:.0f} %).",
                {"ah": facts.estimate.capacity_ah.value, "soh": soh.value, "high": soh.high},
            )
        )
    if told < LOW_CAPACITY:
        lines.append(Text("The sensor itself reports {soh:.0f} % health.", {"soh": told}))
    against = []
    if soh.is_known and soh.low > LOW_CAPACITY:
        against.append(Text("Counting between rests gives at least {low:.0f} %.", {"low": soh.low}))
    return finding("capacity_low", "act", lines, against)


def wrong_type_or_stratified(facts: Facts) -> Finding | None:
    """Rested voltage above what this type shows when full: another type is fitted, or the acid has layered."""
    limit = OVERFULL_V[facts.platform.battery.type]
    high = [
        rest for rest in facts.long_rests if rest.end_v > limit and rest.end_ns - rest.start_ns >= LONG_REST_S * 1e9
    ]
    if not high:
        return None
    lines = [
        Text(
            "After {h:.0f} h of rest it stood at {volt:.2f} V; a full battery of this type shows at most {limit:.2f} V.",
            {
                "h": max((rest.end_ns - rest.start_ns) / 3600e9 for rest in high),
                "volt": max(rest.end_v for rest in high),
                "limit": limit,
            },
        )
    ]
    weak = [s for s in facts.resolved_starts if s.temperature_c > WARM_C and s.min_v < WARM_MIN_V]
    if weak:
        lines.append(Text("Yet {n} warm cranks fell below {limit:.1f} V.", {"n": len(weak), "limit": WARM_MIN_V}))
    return finding("wrong_type_or_stratified", "check", lines)


def shorted_cell(facts: Facts) -> Finding | None:
    """One of six cells gives nothing."""
    low, high = CELL_GONE_V
    rests = [rest for rest in facts.long_rests if low <= rest.end_v <= high]
    if not rests:
        return None
    lines = [Text("At rest it stood at {volt:.2f} V, two volts short.", {"volt": middle([r.end_v for r in rests])})]
    charged = [drive for drive in facts.estimate.drives if drive.charged_ah > 5 and drive.end_ns <= rests[-1].start_ns]
    if charged:
        lines.append(
            Text("That was after {ah:.0f} Ah had been charged into it.", {"ah": sum(d.charged_ah for d in charged)})
        )
    weak = [start.min_v for start in facts.resolved_starts if start.min_v < 8.0]
    if weak:
        lines.append(Text("Cranking pulled it down to {volt:.2f} V.", {"volt": min(weak)}))
    return finding("shorted_cell", "act", lines, capped=not charged)


def starter_drag(facts: Facts) -> Finding | None:
    """The engine or the starter asks for too much current, so the voltage falls though the battery is sound."""
    resistance, expected = facts.estimate.resistance_mohm, facts.typical_mohm
    sound = resistance.is_known and resistance.high < HIGH_RESISTANCE * expected
    warm = [start for start in facts.resolved_starts if start.temperature_c > WARM_C]
    plateaus = [current for start in warm if math.isfinite(current := -plateau_a(facts, start))]
    if not plateaus or middle(plateaus) <= HIGH_CRANK_A:
        return None
    lines = [
        Text("Warm cranks draw {a:.0f} A once turning; petrol engines take 100 to 300 A.", {"a": middle(plateaus)})
    ]
    slow = [start for start in warm if start.crank_s > SLOW_CRANK_S]
    if len(slow) * 2 > len(warm):
        lines.append(Text("Cranking lasts {s:.1f} s.", {"s": middle([start.crank_s for start in slow])}))
    if sound:
        lines.append(Text("The battery's resistance, {r:.1f} mOhm, is in order.", {"r": resistance.value}))
    return finding("starter_drag", "check", lines, capped=not sound or not slow)


def slow_restart_not_electrical(facts: Facts) -> Finding | None:
    """The engine takes long to run although voltage and current are good: fuel, ignition or position sensing."""
    limit = facts.platform.idle_stop.restart_max_s or SLOW_RESTART_S
    timed = [start for start in facts.restarts if math.isfinite(start.to_idle_s)]
    slow = [start for start in timed if start.to_idle_s > max(limit, SLOW_RESTART_S)]
    if len(timed) < 3 or len(slow) * 2 <= len(timed):
        return None
    good = [start for start in slow if start.resolved and start.min_v >= WARM_MIN_V]
    if len(good) * 2 <= len(slow):
        return None
    lines = [
        Text(
            "{n} of {all} restarts took over {limit:.1f} s, {s:.1f} s in the middle.",
            {"n": len(slow), "all": len(timed), "limit": limit, "s": middle([s.to_idle_s for s in slow])},
        ),
        Text("The battery held {volt:.2f} V in them.", {"volt": middle([start.min_v for start in good])}),
    ]
    speed = facts.trace("engine_speed")
    coarse = speed is not None and speed.period_s > 0.1
    against = (
        [Text("The engine speed is sampled too slowly to time a restart well.")] if coarse or speed is None else []
    )
    return finding("slow_restart_not_electrical", "check", lines, against)


CONTACT_MOHM = 8.0  # between battery and control unit; cables and ground take 1 to 3; common practice, no source


def ground_contact(facts: Facts) -> Finding | None:
    """The voltage lost between battery and control unit grows with current: a clamp, cable or ground contact."""
    slope = contact_mohm(facts)
    if not math.isfinite(slope) or slope <= CONTACT_MOHM:
        return None
    lines = [
        Text(
            "Between battery and control unit {mv:.0f} mV are lost for every 10 A ({r:.1f} mOhm).",
            {"mv": 10 * slope, "r": slope},
        )
    ]
    drops = [s.min_v - s.board_min_v for s in facts.resolved_starts if math.isfinite(s.board_min_v)]
    if drops and middle(drops) > 0.8:
        lines.append(
            Text("In cranks the control unit sees {volt:.1f} V less than the battery.", {"volt": middle(drops)})
        )
    return finding("ground_contact", "act", lines)


def stabiliser_not_holding(facts: Facts) -> Finding | None:
    """The battery holds its voltage in restarts, the control units do not get it."""
    floor = facts.platform.idle_stop.restart_min_v or 9.0
    seen = [start for start in facts.restarts if math.isfinite(start.board_min_v)]
    bad = [start for start in seen if start.board_min_v < floor <= start.min_v]
    lines: list[Text] = []
    if bad and len(bad) * 2 > len(seen):
        lines.append(
            Text(
                "In {n} of {all} restarts a control unit fell to {low:.1f} V while the battery held {volt:.1f} V.",
                {
                    "n": len(bad),
                    "all": len(seen),
                    "low": min(start.board_min_v for start in bad),
                    "volt": min(start.min_v for start in bad),
                },
            )
        )
    ready = facts.trace("stabiliser_ready")
    if ready is not None and bool((ready.value[ready.valid] == 0).mean() > 0.5):
        lines.append(Text("The voltage stabiliser reports that it is not ready."))
    return finding("stabiliser_not_holding", "check", lines)


def contact_mohm(facts: Facts) -> float:
    """Slope of the voltage lost between battery and control unit over current [mOhm]; NaN where it cannot be told.

    Least squares over samples at which both voltages are fresh; asks for a span of 100 A.
    """
    voltage, board, current = (facts.trace(role) for role in ("battery_voltage", "board_voltage", "battery_current"))
    if voltage is None or board is None or current is None:
        return math.nan
    seen = board.value[board.valid]
    at_ns = board.time_ns[board.valid]
    lost = voltage.held(at_ns, 0.05) - seen
    amps = current.held(at_ns, 0.05)
    both = np.isfinite(lost) & np.isfinite(amps)
    if both.sum() < 50 or float(np.ptp(amps[both])) < 100:
        return math.nan
    return -1000.0 * float(np.polyfit(amps[both], lost[both], 1)[0])


def plateau_a(facts: Facts, start: Start) -> float:
    """Median current of a crank after its inrush [A], negative; NaN where it was not sampled."""
    current = facts.trace("battery_current")
    if current is None:
        return math.nan
    first, last = np.searchsorted(current.time_ns, [start.start_ns + int(0.1e9), start.end_ns])
    return middle(current.value[first:last])
