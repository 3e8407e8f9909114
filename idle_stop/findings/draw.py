"""Findings on what is drawn with the engine off: parked through the night, and in idle-stops."""

from __future__ import annotations

import math

import numpy as np

from estimator.estimate import Phase, Rest, WakeUp
from idle_stop.findings.facts import Facts, Finding, finding, middle
from signal_defs.text import Text, many

DRAIN_MA = 50.0  # [mA] asleep; published workshop limits are 20 to 75 mA
EXCESSIVE_MA = 100.0  # [mA] asleep; published: 100 mA and more is excessive
WAKING_MA = 50.0  # [mA] that wake-ups add to the mean; the same limits
ASLEEP_AFTER_NS = 2 * 3600 * 1_000_000_000  # sleep is reached in 2 to 60 minutes, up to two hours; common practice
AWAKE_SHARE = 0.02  # of the parked time with frames of an awake bus; ours
FALL_V_PER_H = 0.002  # 100 mA on 60 Ah: 0.17 %/h, 1.3 to 1.9 mV/h by type; less is lost among what relaxes
LONG_REST_NS = 3 * 3600 * 1_000_000_000
FALLS_REST_NS = 5 * 3600 * 1_000_000_000
STOP_LOAD_A = 60.0  # [A] drawn in an idle-stop; 20 to 60 A is usual; common practice, no source
STOP_CHARGE_AH = 1.0  # [Ah] drawn in one idle-stop; common practice, no source
STOP_SAG_V = 0.3  # [V] lost from the beginning to the end of a stop; common practice, no source


def parasitic_drain(facts: Facts) -> Finding | None:
    """Something draws current while the vehicle is parked and should be asleep."""
    quiescent = facts.estimate.quiescent_ma
    long = [rest for rest in facts.estimate.rests if rest.end_ns - rest.start_ns >= LONG_REST_NS]
    wake_ups = _late_wake_ups(long)
    waking = _waking_ma(long, wake_ups)
    sure = facts.drain_low_ma > DRAIN_MA
    likely = quiescent.is_known and -quiescent.value > EXCESSIVE_MA
    if not (sure or likely or waking > WAKING_MA):
        return None
    lines: list[Text] = []
    if sure or likely:
        lines.append(
            Text(
                "Parked and asleep, the vehicle draws {ma:.0f} mA (at least {low:.0f} mA); up to 50 mA is usual.",
                {"ma": abs(quiescent.value), "low": facts.drain_low_ma},
            )
        )
    if waking > 0.2 * WAKING_MA:
        lines.append(
            many(
                "It woke up once in {h:.0f} parked hours, which adds {ma:.0f} mA on average.",
                "It woke up {n} times in {h:.0f} parked hours, which adds {ma:.0f} mA on average.",
                len(wake_ups),
                h=sum(rest.end_ns - rest.start_ns for rest in long) / 3600e9,
                ma=waking,
            )
        )
    falls = [fall for rest in long if math.isfinite(fall := _fall_v_per_hour(facts, rest))]
    if falls and middle(falls) > FALL_V_PER_H:
        lines.append(
            Text("While parked the voltage kept falling, by {mv:.1f} mV an hour.", {"mv": 1000 * middle(falls)})
        )
    awake = _awake_share(facts, long)
    if awake > AWAKE_SHARE:
        lines.append(
            Text("The ignition's message was still on the bus for {p:.0f} % of the parked time.", {"p": 100 * awake})
        )
    against = []
    if not sure and not waking > WAKING_MA:
        against.append(Text("The current sensor may be off its zero by as much: clamp the minus lead."))
    return finding("parasitic_drain", "act", lines, against)


def _late_wake_ups(rests: list[Rest]) -> list[WakeUp]:
    """Those later than two hours into a rest, without what somebody left on."""
    return [
        wake
        for rest in rests
        for wake in rest.wake_ups
        if wake.start_ns > rest.start_ns + ASLEEP_AFTER_NS and not wake.left_on
    ]


def _waking_ma(rests: list[Rest], wake_ups: list[WakeUp]) -> float:
    """What these wake-ups add to the mean draw from two hours into each rest on [mA]; 0 without an hour of it."""
    hours = sum(max(rest.end_ns - rest.start_ns - ASLEEP_AFTER_NS, 0) for rest in rests) / 3600e9
    return 1000.0 * sum(wake.charge_ah for wake in wake_ups) / hours if hours >= 1.0 else 0.0


def _awake_share(facts: Facts, rests: list[Rest]) -> float:
    """Share of the parked seconds, from two hours on, with a frame of the ignition's message in them."""
    ignition = facts.trace("ignition_on")
    if ignition is None:
        return 0.0
    seconds = seen = 0
    for rest in rests:
        begin = rest.start_ns + ASLEEP_AFTER_NS
        first, last = np.searchsorted(ignition.time_ns, [begin, rest.end_ns])
        seconds += max(rest.end_ns - begin, 0) // 1_000_000_000
        seen += len(np.unique(ignition.time_ns[first:last] // 1_000_000_000))
    return seen / seconds if seconds else 0.0


def _fall_v_per_hour(facts: Facts, rest: Rest) -> float:
    """How fast the voltage falls over the last third of a rest of five hours and more [V/h]; else NaN.

    From the medians of its two halves, so that a load at the end of the rest does not count.
    """
    if rest.end_ns - rest.start_ns < FALLS_REST_NS:
        return math.nan
    late = rest.end_ns - (rest.end_ns - rest.start_ns) // 3
    half = (late + rest.end_ns) // 2
    early, last = (facts.middle_between("battery_voltage", *ends) for ends in ((late, half), (half, rest.end_ns)))
    return (early - last) / ((half - late) / 3600e9)


def stop_load_high(facts: Facts) -> Finding | None:
    """The board net draws so much in idle-stops that they end early."""
    stops = [phase for phase in facts.estimate.phases if phase.kind == "idle_stop" and phase.seconds >= 3.0]
    load = -facts.middle_during("battery_current", "idle_stop")
    if not stops or not load > STOP_LOAD_A:
        return None
    lines = [Text("In idle-stops {a:.0f} A are drawn; 20 to 60 A is usual.", {"a": load})]
    sags = [sag for stop in stops if math.isfinite(sag := _sag_v(facts, stop))]
    if sags and middle(sags) > STOP_SAG_V:
        lines.append(Text("The voltage sinks by {volt:.1f} V in a stop.", {"volt": middle(sags)}))
    ended = [
        one for one in facts.cut_short if any(r.role in {"battery_voltage", "battery_current"} for r in one.reasons)
    ]
    if ended:
        lines.append(
            many(
                "One stop ended early on voltage or current.",
                "{n} stops ended early on voltage or current.",
                len(ended),
            )
        )
    amounts = [load * stop.seconds / 3600 for stop in stops]
    if max(amounts) > STOP_CHARGE_AH:
        lines.append(Text("One stop drew {ah:.1f} Ah.", {"ah": max(amounts)}))
    against = []
    if facts.has_high_resistance:
        against.append(Text("The battery's resistance is high: the same current makes it sink further."))
    return finding("stop_load_high", "check", lines, against)


def _sag_v(facts: Facts, stop: Phase) -> float:
    """Voltage lost from the first two seconds of a stop to its last two before the crank [V]."""
    two = 2_000_000_000
    begun = facts.middle_between("battery_voltage", stop.start_ns, stop.start_ns + two)
    return begun - facts.middle_between("battery_voltage", stop.end_ns - two, stop.end_ns - two // 4)
