"""Findings on charging: the generator gives nothing, gives too much, or the trips are too short for it."""

from __future__ import annotations

import math

import numpy as np

from decoder.frames import FloatArray
from decoder.recording import Trace
from estimator.grid import runs_of
from idle_stop.findings.draw import DRAIN_MA
from idle_stop.findings.facts import Facts, Finding, finding, middle
from signal_defs.text import Text

LOW_SOC = 75.0  # [%] below it a battery at rest wants charging; published enable thresholds are 75 to 78 %
SHORT_TRIP_S = 900.0  # a trip shorter than this seldom returns what its start took; common practice, no source
NO_CHARGE_V = 13.5  # [V] never exceeded in a long drive with room for charge: a fault; common practice, no source
ROOM_SOC = 80.0  # [%] below it there is room for charge; common practice, no source
BELOW_SETPOINT_V = 0.5  # generator short of its order by more: it does not follow; common practice, no source
BATTERY_FEEDS_A = -5.0  # median current of a running engine below it: the battery feeds the board; ours
TOO_HIGH_V = 15.2  # [V] warm, for over ten seconds: a fault; common practice, no source
COMPENSATION_V_PER_K = 0.018  # the colder, the higher: six cells at 3 mV/K; published charger settings
REFRESH_V = 15.6  # [V] a refresh charge stays below it; 15 V is published, the rest is room


def undercharge_short_trips(facts: Facts) -> Finding | None:
    """The battery never gets back what the short trips take."""
    low_rests = [rest for rest in facts.long_rests if rest.soc_from_ocv.high < LOW_SOC + 5]
    at_rest = len(low_rests) * 2 > len(facts.long_rests)
    minutes = [(trip.end_ns - trip.start_ns) / 60e9 for trip in facts.trips]
    short = len(minutes) >= 3 and middle(minutes) * 60 < SHORT_TRIP_S
    if not short or not (at_rest or facts.estimate.soc_end.high < LOW_SOC):
        return None
    lines = [Text("The {n} drives lasted {min:.0f} minutes, typically.", {"n": len(minutes), "min": middle(minutes)})]
    if at_rest:
        stood = {
            "volt": middle([rest.end_v for rest in low_rests]),
            "soc": middle([rest.soc_from_ocv.value for rest in low_rests]),
            "n": len(low_rests),
            "all": len(facts.long_rests),
        }
        only = Text("After its only long rest the battery stood at {volt:.2f} V, about {soc:.0f} % charge.", stood)
        usual = Text(
            "After {n} of {all} long rests the battery stood at {volt:.2f} V or so, about {soc:.0f} % charge.", stood
        )
        lines.append(only if len(facts.long_rests) == 1 else usual)
    balance = facts.estimate.charged_ah - facts.estimate.discharged_ah
    if balance > 0 and facts.estimate.soc_end.is_known:
        lines.append(
            Text(
                "The whole recording put {ah:.1f} Ah into the battery; about {missing:.0f} Ah are missing to full.",
                {"ah": balance, "missing": _missing_ah(facts)},
            )
        )
    elif balance < -0.5:
        lines.append(Text("Over the whole recording {ah:.1f} Ah more were drawn than put back.", {"ah": -balance}))
    if facts.account.charge_cycling == "defect":
        lines.extend(facts.account.charge_cycling_evidence)
    return finding("undercharge_short_trips", "act", lines, _not_the_trips(facts), capped=not at_rest)


def _missing_ah(facts: Facts) -> float:
    """What the battery lacked to full when the recording ended [Ah], of the capacity found, else of the rated one."""
    capacity = facts.estimate.capacity_ah
    whole = capacity.value if capacity.is_known else facts.platform.battery.capacity_nominal
    return (100.0 - facts.estimate.soc_end.value) / 100.0 * whole


def _not_the_trips(facts: Facts) -> list[Text]:
    """What else would empty the battery, or make it look empty."""
    against = []
    if not any(drive.max_v >= NO_CHARGE_V for drive in facts.trips):
        against.append(Text("No drive shows a charging voltage over 13.5 V: look at the charging first."))
    if facts.drain_low_ma > DRAIN_MA:
        against.append(Text("The draw while parked is high as well; it empties the battery without any trip."))
    if facts.is_coded_otherwise:
        against.append(Text("Another capacity is coded than the one fitted: mend that first."))
    if facts.account.charge_cycling == "normal":
        against.append(Text("Stops came before the refusals and came again later: the charge may only be used up."))
    return against


def no_charging(facts: Facts) -> Finding | None:
    """The generator does not charge although the battery would take it."""
    lines: list[Text] = []
    silent = [drive for drive in facts.long_trips if drive.max_v < NO_CHARGE_V]
    low = bool(silent) and len(silent) == len(facts.long_trips)
    if low:
        lines.append(
            Text(
                "Drives of over 20 minutes: {n}; none held more than {volt:.2f} V for ten seconds.",
                {"n": len(silent), "volt": max(drive.max_v for drive in silent)},
            )
        )
    feeds = facts.middle_during("battery_current", "running")
    if low and feeds < BATTERY_FEEDS_A:
        lines.append(
            Text(
                "The battery itself feeds the running vehicle, typically with {a:.0f} A: {out:.1f} Ah were "
                "drawn while driving and {into:.1f} Ah put back.",
                {
                    "a": -feeds,
                    "out": sum(drive.discharged_ah for drive in silent),
                    "into": sum(drive.charged_ah for drive in silent),
                },
            )
        )
    asked, missing = _generator_order(facts)
    if missing > BELOW_SETPOINT_V:
        lines.append(
            Text("The voltage stays {volt:.2f} V below what the generator is told to hold.", {"volt": missing})
        )
    fault = facts.is_true("charging_fault")
    if fault:
        lines.append(Text("The charging system itself reports a fault."))
    if not low and not fault:
        return None
    room = facts.estimate.soc_min.high < ROOM_SOC
    proven = bool(fault) or missing > BELOW_SETPOINT_V or feeds < BATTERY_FEEDS_A
    if not proven and not room:
        return None  # full enough: a low voltage is meant
    against: list[Text] = []
    if asked < NO_CHARGE_V and abs(missing) <= BELOW_SETPOINT_V:
        against.append(Text("The generator is told to hold so low a voltage, and holds it."))
    return finding("no_charging", "act", lines, against)


def _generator_order(facts: Facts) -> tuple[float, float]:
    """Voltage the generator is told to hold while running, and how far the battery's stays below it [V]; else NaN.

    Medians: a generator that is at its limit for a while catches up in between.
    """
    setpoint, voltage = facts.trace("alternator_setpoint"), facts.trace("battery_voltage")
    if setpoint is None or voltage is None:
        return math.nan, math.nan
    running = facts.during(voltage, "running")
    asked = setpoint.held(voltage.time_ns)
    return middle(asked[running]), middle((asked - voltage.value)[running])


def overvoltage(facts: Facts) -> Finding | None:
    """The charging voltage is too high for the battery's temperature."""
    voltage = facts.trace("battery_voltage")
    if voltage is None:
        return None
    limit, known = _limit(facts, voltage)
    over = voltage.valid & (voltage.value > limit)
    seconds = _longest_s(voltage, over)
    if seconds < 10:
        return None
    lines = [
        Text(
            "The battery saw up to {volt:.2f} V and was above the limit for its temperature for {s:.0f} s.",
            {"volt": float(np.nanmax(voltage.value)), "s": seconds},
        )
    ]
    for role, template in (
        ("board_voltage", "A control unit saw up to {volt:.2f} V as well."),
        ("alternator_voltage", "The generator saw up to {volt:.2f} V as well."),
    ):
        second = facts.trace(role)
        if second is not None and _longest_s(second, second.valid & (second.value > _limit(facts, second)[0])) >= 10:
            lines.append(Text(template, {"volt": float(np.nanmax(second.value))}))
    setpoint = facts.trace("alternator_setpoint")
    if setpoint is not None:
        above = middle(voltage.value[over] - setpoint.held(voltage.time_ns[over]))
        if above > BELOW_SETPOINT_V:
            lines.append(Text("That is {volt:.2f} V above what the generator is told to hold.", {"volt": above}))
    return finding("overvoltage", "act", lines, _meant_high(facts, voltage, over, known=known), capped=not known)


def _meant_high(facts: Facts, voltage: Trace, over: np.ndarray, *, known: bool) -> list[Text]:
    against = []
    refresh = facts.trace("refresh_charging")
    refreshing = refresh is not None and middle(refresh.held(voltage.time_ns[over])) > 0
    if refreshing and float(np.nanmax(voltage.value)) < REFRESH_V:
        against.append(Text("A refresh charge was running, which may be meant to go higher."))
    if not known:
        against.append(Text("The battery's temperature is not known; a cold one is rightly charged higher."))
    return against


def _limit(facts: Facts, trace: Trace) -> tuple[FloatArray, bool]:
    """Highest voltage that is in order at each sample [V], and whether the temperature behind it is known."""
    temperature = facts.trace("battery_temperature")
    warmth = np.full(len(trace), np.nan) if temperature is None else temperature.held(trace.time_ns, 600.0)
    known = bool(np.isfinite(warmth).mean() > 0.5)
    below = np.maximum(25.0 - np.nan_to_num(warmth, nan=25.0), 0.0)
    return np.asarray(TOO_HIGH_V + COMPENSATION_V_PER_K * below), known


def _longest_s(trace: Trace, on: np.ndarray) -> float:
    """Longest stretch of samples that are on [s]."""
    if len(trace) < 2 or not on.any():
        return 0.0
    last = len(trace) - 1
    return max(float(trace.time_ns[min(b, last)] - trace.time_ns[a]) for a, b in runs_of(on)) / 1e9
