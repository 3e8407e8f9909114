"""Findings on what cranks and restarts show beside the battery: starter, engine, stabiliser."""

from __future__ import annotations

import math

from estimator.estimate import Start
from idle_stop.findings.battery import WARM_MIN_V
from idle_stop.findings.contact import CONTACT_MOHM, steady_contact_mohm
from idle_stop.findings.facts import Facts, Finding, finding, middle
from signal_defs.text import Text, many

SLOW_RESTART_S = 0.8  # [s] starter on to engine running; common practice, no source
SLOW_CRANK_S = 1.0  # [s] starter on to starter off in a warm crank; common practice, no source
HIGH_CRANK_A = 400.0  # [A] plateau of a warm crank; published training sheets: petrol 100-300 A, diesel 400 A and more
COLD_FACTOR = 2.0  # a cold engine takes about twice the current; published starter tables
CONVERTED_V = 9.0  # [V] what a control unit needs in a restart; common practice, no source
COARSE_S = 0.1  # engine speed sampled more slowly cannot time a restart; common practice, no source


def starter_drag(facts: Facts) -> Finding | None:
    """The engine or the starter asks for too much current, so the voltage falls though the battery is sound."""
    resistance = facts.estimate.resistance_mohm
    sound = facts.has_sound_resistance
    warm = facts.warm_starts
    starts = warm or facts.resolved_starts
    plateaus = [current for start in starts if math.isfinite(current := -_plateau_a(facts, start))]
    limit = HIGH_CRANK_A if warm else COLD_FACTOR * HIGH_CRANK_A
    if not plateaus or middle(plateaus) <= limit:
        return None
    lines = [
        Text(
            "Once the engine turns, cranking draws {a:.0f} A; warm petrol engines take 100 to 300 A.",
            {"a": middle(plateaus)},
        )
    ]
    slow = [start for start in starts if start.crank_s > SLOW_CRANK_S]
    if len(slow) * 2 > len(starts):
        lines.append(Text("Cranking lasts {s:.1f} s.", {"s": middle([start.crank_s for start in slow])}))
    if sound:
        lines.append(Text("The battery's resistance is in order, at {r:.1f} mOhm.", {"r": resistance.value}))
    against: list[Text] = []
    if not warm:
        against.append(Text("Only cold starts were recorded; a cold engine takes about twice the current."))
    if facts.has_high_resistance:
        against.append(Text("The battery's own resistance is high; it alone makes the voltage fall."))
    return finding("starter_drag", "check", lines, against, capped=not sound or len(slow) * 2 <= len(starts))


def slow_restart_not_electrical(facts: Facts) -> Finding | None:
    """The engine takes long to run although voltage and current are good: fuel, ignition or position sensing."""
    limit = max(facts.platform.idle_stop.restart_max_s or SLOW_RESTART_S, SLOW_RESTART_S)
    timed = [start for start in facts.restarts if math.isfinite(start.to_idle_s)]
    slow = [start for start in timed if start.to_idle_s > limit]
    if len(timed) < 3 or len(slow) * 2 <= len(timed):
        return None
    good = [start for start in slow if start.resolved and start.min_v >= WARM_MIN_V]
    plateau = middle([-_plateau_a(facts, start) for start in slow])
    if len(good) * 2 <= len(slow) or plateau > HIGH_CRANK_A:
        return None
    lines = [
        Text(
            "{n} of {all} restarts took over {limit:.1f} s, typically {s:.1f} s.",
            {"n": len(slow), "all": len(timed), "limit": limit, "s": middle([s.to_idle_s for s in slow])},
        ),
        Text("The battery held {volt:.2f} V in them.", {"volt": middle([start.min_v for start in good])}),
    ]
    if math.isfinite(plateau):
        lines.append(Text("The starter drew an ordinary {a:.0f} A.", {"a": plateau}))
    periods = [t.period_s for role in ("engine_running", "engine_speed") if (t := facts.trace(role)) is not None]
    coarse = not periods or min(periods) > 1.5 * COARSE_S
    against = [Text("The engine speed is sampled too slowly to time a restart well.")] if coarse else []
    return finding("slow_restart_not_electrical", "check", lines, against)


def stabiliser_not_holding(facts: Facts) -> Finding | None:
    """The battery holds its voltage in restarts, the control units do not get it."""
    floor = min(facts.platform.idle_stop.restart_min_v or CONVERTED_V, CONVERTED_V)
    seen = [start for start in facts.restarts if math.isfinite(start.board_min_v) and start.resolved]
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
    silent = _silent_restarts(facts)
    if bad and silent * 2 > len(facts.restarts):
        lines.append(
            many(
                "After one restart the control unit was silent, as if it had started anew.",
                "After {n} restarts the control unit was silent, as if it had started anew.",
                silent,
            )
        )
    against = []
    if lines and steady_contact_mohm(facts) > CONTACT_MOHM:
        against.append(Text("With steady current too voltage is lost on the way to that control unit: see its ground."))
    return finding("stabiliser_not_holding", "check", lines, against)


def _silent_restarts(facts: Facts) -> int:
    """Restarts within which a gap of the control unit's voltage begins."""
    begins = [gap.start_ns for gap in facts.recording.faults.gaps if gap.role == "board_voltage"]
    return sum(any(start.start_ns - 10**9 <= at <= start.end_ns + 10**9 for at in begins) for start in facts.restarts)


def _plateau_a(facts: Facts, start: Start) -> float:
    """Median current of a crank after its inrush [A], negative; NaN where it was not sampled."""
    return facts.middle_between("battery_current", start.start_ns + int(0.1e9), start.end_ns)
