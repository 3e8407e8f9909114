"""Findings on the battery itself: resistance, capacity, type, cell, and whether it was changed."""

from __future__ import annotations

import math

import numpy as np

from estimator.estimate import Rest
from idle_stop.findings.facts import HIGH_RESISTANCE, LONG_REST_S, Facts, Finding, finding, middle
from signal_defs.text import Text, many

OHMIC_SHARE = 1.2  # a crank's plateau shows at least so much more than the ohmic part alone; from memory
WARM_C = 10.0  # [degC] above it a crank counts as warm; common practice, no source
WARM_MIN_V = 9.6  # [V] lower in a warm crank is suspect; published workshop lists give 9.5 to 9.6 V
UNSTEADY = 1.35  # ratio of the upper to the lower quintile of single cranks: a battery does not change so; ours
LOW_CAPACITY = 80.0  # [%] of the rating; below 70 to 80 % a battery is replaced; common practice, no source
FULL_SHOWS_SOC = 85.0  # [%] that the voltage after a full charge claims at least; common practice, no source
OVERFULL_V = {"flooded": 12.85, "efb": 12.95, "agm": 13.1}  # [V] rested; above what the type shows when full
CELL_GONE_V = (10.2, 11.0)  # [V] rested with one of six cells shorted; common practice, no source
RECOVERED_V = 11.6  # [V] rested after charging: only discharged, not shorted; one step of a cell below a half
HOT_K = 12.0  # above the air while charging: a cell that turns charge into heat; common practice, no source


def battery_resistance_high(facts: Facts) -> Finding | None:
    """The battery gives way too much under load."""
    resistance, expected = facts.estimate.resistance_mohm, facts.typical_mohm
    measured = facts.has_high_resistance
    lines: list[Text] = []
    if measured:
        lines.append(
            Text(
                "While cranking its resistance is {r:.1f} mOhm at 25 °C (at least {low:.1f}); a battery of "
                "its rating should have about {typical:.1f}.",
                {"r": resistance.value, "low": resistance.low, "typical": expected},
            )
        )
    steps = facts.estimate.load_step_resistance_mohm
    if measured and steps.is_known and OHMIC_SHARE * steps.low > HIGH_RESISTANCE * expected:
        values = {"r": steps.value}
        lines.append(
            Text("Independently of cranking, steps of the load while running show {r:.1f} mOhm, its fast part.", values)
        )
    warm = [start for start in facts.resolved_starts if start.temperature_c > WARM_C]
    weak = [start for start in warm if start.min_v < WARM_MIN_V]
    if weak and len(weak) * 2 > len(warm):
        lines.append(
            Text(
                "Cranks above {warm:.0f} °C that pulled the voltage below {limit:.1f} V: {n} of {all}; the lowest "
                "voltage was {volt:.2f} V.",
                {
                    "n": len(weak),
                    "all": len(warm),
                    "warm": WARM_C,
                    "limit": WARM_MIN_V,
                    "volt": min(start.min_v for start in weak),
                },
            )
        )
    refused = facts.failing(lambda reason: reason.role == "battery_crank_min_voltage")
    sound = facts.has_sound_resistance
    if refused and not sound:
        lines.append(
            Text(
                "Stops that the vehicle refused because it expects too low a voltage at the next crank: {n}.",
                {"n": len(refused)},
            )
        )
    if not measured and (sound or not weak):
        return None
    return finding("battery_resistance_high", "act", lines, _not_the_battery(facts), capped=not measured)


def _not_the_battery(facts: Facts) -> list[Text]:
    """What else makes the voltage dip: low charge, cold, a clamp that holds at times only."""
    against = []
    if facts.estimate.soc_min.high < 50:
        against.append(Text("The battery was under half charged, which raises resistance: charge, then measure."))
    if facts.resolved_starts and all(start.temperature_c < 0.0 for start in facts.resolved_starts):
        against.append(Text("All cranks were below 0 °C: measure again when it is warmer."))
    single = [s.resistance_mohm.value for s in facts.resolved_starts if s.resistance_mohm.is_known]
    if len(single) >= 5:
        low, high = np.quantile(single, (0.2, 0.8))
        if high > UNSTEADY * low:
            against.append(
                Text(
                    "From crank to crank it changes between {low:.1f} and {high:.1f} mOhm, as with a loose clamp.",
                    {"low": float(low), "high": float(high)},
                )
            )
    return against


def capacity_low(facts: Facts) -> Finding | None:
    """The battery holds less than it should."""
    soh, told = facts.estimate.soh_percent, facts.at_end("battery_soh")
    lines: list[Text] = []
    if soh.is_known and soh.high < LOW_CAPACITY:
        lines.append(
            Text(
                "By the charge counted between rests it holds {ah:.0f} Ah, {soh:.0f} % of its rating (at "
                "most {high:.0f} %).",
                {"ah": facts.estimate.capacity_ah.value, "soh": soh.value, "high": soh.high},
            )
        )
    if told < LOW_CAPACITY:
        lines.append(Text("The sensor itself reports a state of health of {soh:.0f} %.", {"soh": told}))
    full = facts.sensor.ocv_at_full_soc
    if lines and full.is_known and full.high < FULL_SHOWS_SOC:
        lines.append(Text("Fully charged, its voltage shows only {soc:.0f} % charge.", {"soc": full.value}))
    if lines and facts.estimate.fade is not None and facts.estimate.fade.state == "seen":
        lines += [line for line in facts.estimate.fade.evidence if line not in lines]
    against: list[Text] = []
    if soh.is_known and soh.low > LOW_CAPACITY:
        against.append(Text("Counting between rests gives at least {low:.0f} %.", {"low": soh.low}))
    if facts.is_coded_otherwise:
        against.append(Text("Another capacity is coded than the one fitted: mend that first."))
    if facts.zero_is_off:
        against.append(Text("The current sensor is off its zero, so what it counts is not to be trusted."))
    return finding("capacity_low", "act", lines, against)


def wrong_type_or_stratified(facts: Facts) -> Finding | None:
    """Rested voltage above what this type shows when full: another type is fitted, or the acid has layered."""
    own = facts.platform.battery.ocv_v
    limit = own[-1][1] + 0.15 if own else OVERFULL_V[facts.platform.battery.type]
    high = [r for r in facts.long_rests if r.end_v > limit and r.end_ns - r.start_ns >= LONG_REST_S * 1e9]
    if not high:
        return None
    lines = [
        Text(
            "After {h:.0f} h of rest it stood at {volt:.2f} V; a full battery of this type shows at most "
            "{limit:.2f} V.",
            {
                "h": max((rest.end_ns - rest.start_ns) / 3600e9 for rest in high),
                "volt": max(rest.end_v for rest in high),
                "limit": limit,
            },
        )
    ]
    weak = [s for s in facts.resolved_starts if s.temperature_c > WARM_C and s.min_v < WARM_MIN_V]
    if weak:
        lines.append(
            Text(
                "Yet cranks above {warm:.0f} °C fell below {limit:.1f} V: {n} of them.",
                {"n": len(weak), "limit": WARM_MIN_V, "warm": WARM_C},
            )
        )
    elif facts.has_high_resistance:
        resistance = facts.estimate.resistance_mohm.value
        lines.append(Text("Yet its resistance is high, {r:.1f} mOhm.", {"r": resistance}))
    soh = facts.estimate.soh_percent
    if soh.high < LOW_CAPACITY:
        lines.append(Text("Yet it holds only {soh:.0f} % of its rating.", {"soh": soh.value}))
    return finding("wrong_type_or_stratified", "check", lines)


def low_ocv_at_full(facts: Facts) -> Finding | None:
    """Fully charged, the battery still shows a low voltage at rest: acid or active material is lost."""
    full = facts.sensor.ocv_at_full_soc
    if not full.is_known or not full.high < FULL_SHOWS_SOC:
        return None
    lines = [
        many(
            "It was charged once until it took no more current.",
            "It was charged {n} times until it took no more current.",
            len(facts.estimate.full_charges_ns),
        ),
        Text(
            "Yet after a rest its voltage then shows only {soc:.0f} % charge (at most {high:.0f} %).",
            {"soc": full.value, "high": full.high},
        ),
    ]
    against = [Text("The current sensor is off its zero, so what it counts is not to be trusted.")]
    return finding("low_ocv_at_full", "check", lines, against if facts.zero_is_off else ())


def shorted_cell(facts: Facts) -> Finding | None:
    """One of six cells gives nothing."""
    low, high = CELL_GONE_V
    rests = [rest for rest in facts.long_rests if low <= rest.end_v <= high]
    if not rests:
        return None
    lines = [
        Text(
            "After a rest it stood at {volt:.2f} V, about two volts too low.",
            {"volt": middle([r.end_v for r in rests])},
        )
    ]
    charged = [drive for drive in facts.trips if drive.charged_ah > 5 and drive.end_ns <= rests[-1].start_ns]
    if charged:
        lines.append(
            Text("That was after {ah:.0f} Ah had been charged into it.", {"ah": sum(d.charged_ah for d in charged)})
        )
    weak = [start.min_v for start in facts.resolved_starts if start.min_v < 8.0]
    if weak:
        lines.append(Text("Cranking pulled it down to {volt:.2f} V.", {"volt": min(weak)}))
    heat = _above_air_k(facts)
    if heat > HOT_K:
        lines.append(Text("While charging it was {k:.0f} K warmer than the air.", {"k": heat}))
    against: list[Text] = []
    if _recovered(facts, rests[0]):
        against.append(Text("Charged, it rested higher again: it may only have been deeply discharged."))
    return finding("shorted_cell", "act", lines, against, capped=not charged)


def _recovered(facts: Facts, low: Rest) -> bool:
    """Whether a later rest shows a voltage that a battery with a dead cell cannot reach."""
    return any(rest.start_ns > low.end_ns and rest.end_v > RECOVERED_V for rest in facts.long_rests)


def _above_air_k(facts: Facts) -> float:
    """How far the battery was above the air while the engine ran [K]; NaN where either is unknown."""
    battery, air = facts.trace("battery_temperature"), facts.trace("ambient_temperature")
    if battery is None or air is None:
        return math.nan
    running = facts.during(battery, "running")
    return middle(battery.value[running] - air.held(battery.time_ns[running], 60.0))


def battery_changed(facts: Facts) -> Finding | None:
    """One battery follows another within the recording."""
    changes = facts.estimate.battery_changes
    lines = [line for change in changes for line in change.evidence]
    reset = facts.sensor.reset_seen
    against: list[Text] = []
    if lines and len(lines) == len(changes) and reset is False:
        against.append(Text("The sensor did not lose its supply meanwhile: a clamp may have been tightened."))
    return finding("battery_changed", "check", lines, against)
