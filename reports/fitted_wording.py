"""A finding's wording for one vehicle: its checks name the battery that is fitted, and the signal that is meant."""

from __future__ import annotations

from dataclasses import replace

from estimator.cranking import rated_resistance
from idle_stop.analysis import Analysis, Finding
from reports.checks_by_role import BY_ROLE, SWITCH_FOLLOWS
from reports.findings import wording
from reports.findings_battery import CLAMPS, LOAD_TEST, REST
from reports.findings_charging import REST_NIGHT
from reports.language import Language
from reports.wording import Check, Wording
from signal_defs.platform import BatteryType
from signal_defs.text import Text

# Published workshop pages and AGM manuals: below it at rest a battery of the type wants charging [V].
_REST_V: dict[BatteryType, float] = {"flooded": 12.4, "efb": 12.4, "agm": 12.6}
_TYPES: dict[BatteryType, Text] = {
    "flooded": Text("a flooded battery"),
    "efb": Text("an EFB battery"),
    "agm": Text("an AGM battery"),
}


_COLD = (
    Text("The battery is too cold for idle-stop, as designed"),
    Text("Below its limits of temperature the engine is kept running. That refusals follow is not seen here."),
)
_HOT = (
    Text("The battery is too hot for idle-stop, as designed"),
    Text("Above its limits of temperature the engine is kept running. That refusals follow is not seen here."),
)
_TOLD_LOW = (
    Text("The battery sensor reports a low state of health"),
    Text("Only the sensor says so: this recording moved too little charge to count what the battery holds."),
)
_UNSEEN = {"cold_by_design": _COLD, "heat_by_design": _HOT}


def fitted_wording(finding: Finding, analysis: Analysis) -> Wording:
    """The wording of a finding, its checks made concrete by what is known of the vehicle."""
    words = wording(finding.code)
    checks = [_for_battery(one, analysis) for one in words.checks]
    role = blocking_role(finding, analysis)
    if role in BY_ROLE and checks:
        checks[0] = BY_ROLE[role]
        if checks[0].decides == SWITCH_FOLLOWS:
            title = Text(
                "Only “{condition}” was not met: suspect its switch, plug or wire, unless it really was so",
                {"condition": blocking_condition(finding)},
            )
            words = replace(words, title=title)
    rested = [line.values["rested_h"] for line in finding.evidence if "rested_h" in line.values]
    if rested:
        checks = [_rest_longer(one, rested[0]) if one is REST_NIGHT else one for one in checks]
    shown = {key for line in finding.evidence for key in line.values}
    if finding.code == "undercharge_short_trips" and "volt" in shown:  # the log has measured the rested battery itself
        checks = [one for one in checks if one.do != REST.do]
    if finding.code == "capacity_low" and "soh" in shown and "ah" not in shown:
        words = replace(words, title=_TOLD_LOW[0], meaning=_TOLD_LOW[1])
    if analysis.account.battery_only and finding.code in _UNSEEN:
        title, meaning = _UNSEEN[finding.code]
        words = replace(words, title=title, meaning=meaning)
    return replace(words, checks=tuple(checks))


def finding_title(one: Finding, analysis: Analysis, say: Language) -> str:
    """What a finding is called in a sentence, with its doubt."""
    title = say.text(fitted_wording(one, analysis).title)
    return say("Possible: {title}", title=title) if one.possible else title


def _rest_longer(check: Check, rested_h: object) -> Check:
    """The night of rest, after one that was not enough."""
    do = Text(
        "Lock the vehicle with the hood closed and leave it undisturbed for 8 h or more, since the {rested_h:.1f} h of "
        "this recording were not enough; then read the sensor again.",
        {"rested_h": rested_h},
    )
    return replace(check, do=do)


def blocking_role(finding: Finding, analysis: Analysis) -> str:
    """The role of the one condition that refuses idle-stop; "" for other findings, and where no signal is its own."""
    if finding.code != "single_blocker" or not finding.evidence:
        return ""
    name = blocking_condition(finding)
    reasons = (one for standstill in analysis.account.standstills for one in standstill.reasons)
    return next((one.role for one in reasons if one.condition == name and not one.told_by_vehicle), "")


def blocking_condition(finding: Finding) -> str:
    """The name of the condition that a finding's evidence names; "" where it names none."""
    names = [str(line.values["condition"]) for line in finding.evidence if "condition" in line.values]
    return names[0] if names else ""


def _for_battery(check: Check, analysis: Analysis) -> Check:
    battery, resistance = analysis.platform.battery, analysis.estimate.resistance_mohm
    if check is CLAMPS and resistance.is_known and battery.cold_cranking_a:
        amps = battery.cold_cranking_a / 2
        excess = {"volt": (resistance.value / 1000 - rated_resistance(battery)) * amps, "amps": amps}
        decides = Text(
            "More than 0.1 V: clean and tighten the clamp, then judge the battery anew; at {amps:.0f} A a clamp would "
            "have to take {volt:.1f} V to explain it all. Less than 0.1 V: not the clamps, test the battery.",
            excess,
        )
        return replace(check, decides=decides)
    if check is REST:
        values = {"volt": _REST_V[battery.type], "battery": _TYPES[battery.type]}
        decides = Text(
            "Below {volt:.1f} V in {battery}: charge it before judging anything else. More: it is charged, doubt the "
            "sensor.",
            values,
        )
        return replace(check, decides=decides)
    if check is LOAD_TEST and battery.cold_cranking_a:
        do = Text(
            "With the battery full, load it with {amps:.0f} A, half its cold-cranking current, for 15 s and watch the "
            "voltage.",
            {"amps": battery.cold_cranking_a / 2},
        )
        return replace(check, do=do)
    return check
