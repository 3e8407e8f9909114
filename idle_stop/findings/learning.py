"""Findings on what the battery sensor has not learned yet, and on what still has to run off after work on it."""

from __future__ import annotations

from idle_stop.findings.facts import LONG_REST_S, Facts, Finding, finding, middle
from signal_defs.text import Text

LEARNING_ROLES = frozenset({"battery_sensor_reset", "battery_soc_plausible"})
CHARGED_SOC = 70.0
APART_POINTS = 12.0
PENDING = {
    "refresh_charging": (1.0, Text("a refresh charge is running")),
    "jump_start_seen": (1.0, Text("the vehicle believes that it was jump-started")),
}


def sensor_reset_unlearned(facts: Facts) -> Finding | None:
    """The sensor lost its supply and does not know the battery yet."""
    reset = facts.at_end("battery_sensor_reset") > 0
    doubted = facts.at_end("battery_soc_plausible") == 0
    if not reset and not doubted and not (facts.sensor.reset_seen and facts.sensor.soc_steps):
        return None
    lines: list[Text] = []
    if reset:
        lines.append(Text("At the end of the recording the sensor still reports that it was reset."))
    if doubted:
        lines.append(Text("The sensor itself marks its state of charge as not plausible."))
    refused = facts.failing(lambda reason: reason.role in LEARNING_ROLES)
    if refused:
        lines.append(Text("Stops refused for that reason: {n}.", {"n": len(refused)}))
    lines.extend(_charge_of_an_unlearned(facts))
    lines.extend(_battery_in_order(facts))
    rested = _longest_rest_s(facts)
    if rested >= LONG_REST_S and (reset or doubted):
        lines.append(
            Text(
                "In this recording it rested for {rested_h:.1f} h already; learning takes 6 to 8 h undisturbed.",
                {"rested_h": rested / 3600},
            )
        )
    against: list[Text] = []
    if facts.estimate.soc_min.high < CHARGED_SOC:
        against.append(
            Text(
                "The charge itself is low too, at most {soc:.0f} %: charge first.", {"soc": facts.estimate.soc_min.high}
            )
        )
    against.extend(_battery_not_in_order(facts))
    return finding("sensor_reset_unlearned", "check", lines, against)


def _charge_of_an_unlearned(facts: Facts) -> list[Text]:
    """How the sensor's own charge gives away that it does not know the battery."""
    sensor, lines = facts.sensor, []
    jumps = [step for step in sensor.soc_steps if sensor.reset_ns is None or step.time_ns >= sensor.reset_ns]
    if jumps:
        lines.append(
            Text(
                "Its state of charge jumped from {before:.0f} to {after:.0f} % without that charge being moved.",
                {"before": jumps[0].before, "after": jumps[0].after},
            )
        )
    if sensor.soc_constant:
        lines.append(
            Text("Its state of charge stands at {soc:.0f} % and never moves.", {"soc": sensor.soc_constant_value})
        )
    apart = sensor.soc_difference
    if apart.is_known and (apart.low > APART_POINTS or apart.high < -APART_POINTS):
        lines.append(
            Text("Its state of charge is {p:+.0f} % off what the voltage and the count show.", {"p": apart.value})
        )
    return lines


def _longest_rest_s(facts: Facts) -> float:
    return max((rest.end_ns - rest.start_ns for rest in facts.estimate.rests), default=0) / 1e9


def _charge_at_rest(facts: Facts) -> float:
    """What the rest voltages say of the charge [%]; NaN without a long rest."""
    return middle([rest.soc_from_ocv.value for rest in facts.long_rests])


def _battery_in_order(facts: Facts) -> list[Text]:
    """What shows that the battery itself is not to blame."""
    lines = []
    if facts.has_sound_resistance:
        lines.append(
            Text("The battery's resistance is in order, at {r:.1f} mOhm.", {"r": facts.estimate.resistance_mohm.value})
        )
    charge = _charge_at_rest(facts)
    if charge > CHARGED_SOC:
        lines.append(
            Text("Its voltage after a rest shows that it is well charged, about {soc:.0f} %.", {"soc": charge})
        )
    return lines


def _battery_not_in_order(facts: Facts) -> list[Text]:
    """What waiting alone will not mend."""
    lines = []
    if facts.has_high_resistance:
        lines.append(Text("The battery's resistance is high: waiting alone will not mend that."))
    charge = _charge_at_rest(facts)
    if charge < CHARGED_SOC:
        lines.append(
            Text("Its voltage after a rest shows that it is short of charge, about {soc:.0f} %.", {"soc": charge})
        )
    return lines


def relearn_pending(facts: Facts) -> Finding | None:
    """The battery is in order; the vehicle only waits after work on it. A sensor that was reset is told by itself."""
    pending = [words for role, (bad, words) in PENDING.items() if facts.at_end(role) == bad]
    if not pending or sensor_reset_unlearned(facts) is not None:
        return None
    lines = [Text("At the end of the recording {what}.", {"what": words}) for words in pending]
    good, bad = _battery_in_order(facts), _battery_not_in_order(facts)
    return finding("relearn_pending", "note", [*lines, *good], bad) if good or bad else None
