"""Findings on what refuses idle-stop although the battery is sound, and on rules that do not fit the vehicle."""

from __future__ import annotations

from collections import Counter

import numpy as np

from idle_stop.account import Reason, Standstill
from idle_stop.findings.facts import Facts, Finding, Weight, finding, middle
from idle_stop.shares import battery_share
from signal_defs.text import Text, many

AIR = frozenset({"ambient_temperature"})
SITUATIONS = frozenset(  # may well be so for a whole recording
    {"trailer_connected", "parking_assist_active", "particle_filter_regeneration", "slope", "ambient_pressure"}
)
OPENINGS = frozenset({"hood_open", "driver_door_open"})
SHUT_KMH = 25.0  # faster, both are shut; common practice, no source
FEWEST = 3  # standstills
SHARE = 0.3  # of the refusals and stops cut short; common practice, no source
CABIN_K = 3.0  # the cabin may drift so far in a stop; published for one maker
WEAK_V = 11.5  # [V] below it in a stop the battery ends it as well; published 11.0, common practice 11.5 to 12.0


def comfort_load(facts: Facts) -> Finding | None:
    """The cabin asks for the engine."""
    alone = facts.failing_alone(lambda reason: reason.group == "comfort" and reason.role not in AIR)
    if not noteworthy(facts, alone):
        return None
    names = Counter(standstill.reasons[0].condition for standstill in alone)
    lines = [
        many(
            "“{condition}” was the only thing in the way once.",
            "“{condition}” was the only thing in the way {n} times.",
            count,
            condition=name,
        )
        for name, count in names.most_common(3)
    ]
    ended = [standstill for standstill in alone if standstill.outcome == "cut_short"]
    if ended:
        lines.append(
            many(
                "It ended one stop early, within {s:.0f} s.",
                "It ended {n} stops early, half of them within {s:.0f} s.",
                len(ended),
                s=middle([one.stop_s for one in ended]),
            )
        )
    away = _cabin_away_k(facts, alone)
    if away > CABIN_K:
        lines.append(Text("The cabin was still {k:.0f} K away from the temperature asked for.", {"k": away}))
    if any(one.verdict == "sole" for one in alone):
        lines.append(Text("Every other condition was known and met."))
    against = []
    if any(_lowest_v(facts, one) < WEAK_V for one in ended):
        against.append(Text("The battery's voltage had sunk below 11.5 V at the same time."))
    return finding("comfort_load", "check", lines, against)


def noteworthy(facts: Facts, some: tuple[Standstill, ...]) -> bool:
    """Whether these are enough of the refusals and stops cut short to be worth a finding."""
    return len(some) >= FEWEST and len(some) >= SHARE * (len(facts.refused) + len(facts.cut_short))


def _cabin_away_k(facts: Facts, some: tuple[Standstill, ...]) -> float:
    cabin, target = facts.trace("cabin_temperature"), facts.trace("cabin_target_temperature")
    if cabin is None or target is None:
        return float("nan")
    at_ns = np.array([one.stop_end_ns or one.decision_ns for one in some], dtype=np.int64)
    return middle(np.abs(cabin.held(at_ns, 60.0) - target.held(at_ns, 60.0)))


def _lowest_v(facts: Facts, one: Standstill) -> float:
    """Lowest voltage of the last two seconds of a stop, the crank left out [V]."""
    voltage = facts.trace("battery_voltage")
    if voltage is None or one.stop_end_ns is None:
        return float("nan")
    first, last = np.searchsorted(voltage.time_ns, [one.stop_end_ns - 2_000_000_000, one.stop_end_ns - 300_000_000])
    values = voltage.value[first:last]
    return float(np.nanmin(values)) if np.isfinite(values).any() else float("nan")


def single_blocker(facts: Facts) -> Finding | None:
    """One condition outside battery, temperature and comfort refuses nearly everything: a switch, a sensor."""
    alone = facts.failing_alone(lambda reason: reason.group not in {"electrical", "comfort"} and not is_thermal(reason))
    names = Counter(one.reasons[0].condition for one in alone if one.outcome == "refused")
    if not names or names.most_common(1)[0][1] < FEWEST:
        return None
    name, count = names.most_common(1)[0]
    if count * 2 <= len(facts.refused):
        return None
    blocked = [one for one in alone if one.reasons[0].condition == name]
    reason = blocked[0].reasons[0]
    lines = [
        Text(
            "At {n} of {all} refused standstills “{condition}” was the only condition not met.",
            {"n": count, "all": len(facts.refused), "condition": name},
        )
    ]
    lines += _while_driving(facts, reason.role)
    stuck = _never_changed(facts, reason.role)
    if stuck:
        lines.append(Text("Its signal never changed in the whole recording."))
    share = battery_share(facts.account).battery
    if share.is_known:
        lines.append(Text("Of the refusals {p:.0%} are the battery's alone.", {"p": share.value}))
    against: list[Text] = []
    if not stuck and reason.group != "driver":
        against.append(
            Text("At other times it was met, so the switch or sensor works: see how the vehicle was driven.")
        )
    unseen = any(one.verdict != "sole" for one in blocked)
    rightly = reason.group == "driver" or reason.role in SITUATIONS or reason.told_by_vehicle
    weight: Weight = "check" if rightly else "act"
    return finding("single_blocker", weight, lines, against, capped=unseen)


def _while_driving(facts: Facts, role: str) -> list[Text]:
    """That a hood or door was said to be open at a speed at which nobody drives with it open."""
    trace, speed = facts.trace(role), facts.trace("vehicle_speed")
    if role not in OPENINGS or trace is None or speed is None:
        return []
    kmh = speed.held(trace.time_ns[trace.valid & (trace.value > 0)], 2.0)
    fastest = float(np.nanmax(kmh)) if np.isfinite(kmh).any() else 0.0
    if fastest < SHUT_KMH:
        return []
    return [Text("It was said to be open even at {v:.0f} km/h: nobody drives so.", {"v": fastest})]


def is_thermal(reason: Reason) -> bool:
    """Whether a reason is a temperature."""
    return reason.role.endswith("_temperature") and not reason.role.startswith("cabin")


def _never_changed(facts: Facts, role: str) -> bool:
    trace = facts.trace(role)
    return trace is not None and float(np.ptp(trace.value[trace.valid])) == 0.0


def normal_cycling(facts: Facts) -> Finding | None:
    """Refused for lack of charge only late in a drive, after stops: used up, not weak."""
    if facts.account.charge_cycling != "normal":
        return None
    return finding("normal_cycling", "note", facts.account.charge_cycling_evidence, observed=True)


def rules_do_not_fit(facts: Facts) -> Finding | None:
    """All conditions known and met, yet refused; or stopped with a condition not met: the platform file is wrong."""
    contradicted = [one for one in facts.refused if one.verdict == "contradicted"]
    unexpected = [one for one in facts.stopped if not one.explained and one.verdict != "contradicted"]
    lines: list[Text] = []
    if contradicted:
        lines.append(
            many(
                "One standstill was refused although every condition was known and met.",
                "{n} standstills were refused although every condition was known and met.",
                len(contradicted),
            )
        )
    if unexpected:
        lines.append(
            many(
                "One stop does not follow from the platform's conditions.",
                "{n} stops do not follow from the platform's conditions.",
                len(unexpected),
            )
        )
    count = len(contradicted) + len(unexpected)
    if count < 2:
        return None  # one may lie within a step of the signal at its threshold
    return finding("rules_do_not_fit", "check", lines, capped=count < FEWEST, observed=True)
