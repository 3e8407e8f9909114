"""Findings on charging and on the charge drawn: generator, short trips, drain at night, load in stops."""

from __future__ import annotations

import math

import numpy as np

from decoder.recording import Trace
from idle_stop.findings.facts import LONG_REST_S, Facts, finding, middle
from idle_stop.findings.finding import Finding
from signal_defs.text import Text

LOW_SOC = 75.0  # [%] below it a battery at rest wants charging; published enable thresholds are 75 to 78 %
SHORT_TRIP_S = 900.0  # a trip shorter than this seldom returns what its start took; common practice, no source
NO_CHARGE_V = 13.5  # [V] never exceeded in a long drive with room for charge: a fault; common practice, no source
TOO_HIGH_V = 15.2  # [V] warm, for over ten seconds: a fault; common practice, no source
COMPENSATION_V_PER_K = (
    0.018  # charging voltage rises as it gets colder, six cells at 3 mV/K; published charger settings
)
DRAIN_MA = 50.0  # [mA] asleep; published workshop limits are 20 to 75 mA
STOP_LOAD_A = 60.0  # [A] drawn in an idle-stop; common practice, no source
STOP_CHARGE_AH = 1.0  # [Ah] drawn in one idle-stop; common practice, no source


def undercharge_short_trips(facts: Facts) -> Finding | None:
    """The battery never gets back what the short trips take."""
    lines: list[Text] = []
    against: list[Text] = []
    low_rests = [rest for rest in facts.long_rests if rest.soc_from_ocv.high < LOW_SOC + 5]
    if low_rests and len(low_rests) * 2 > len(facts.long_rests):
        lines.append(
            Text(
                "At rest the battery stood at {volt:.2f} V, about {soc:.0f} % charge ({n} of {all} rests so low).",
                {
                    "volt": middle([rest.end_v for rest in low_rests]),
                    "soc": middle([rest.soc_from_ocv.value for rest in low_rests]),
                    "n": len(low_rests),
                    "all": len(facts.long_rests),
                },
            )
        )
    drives = facts.estimate.drives
    minutes = [(drive.end_ns - drive.start_ns) / 60e9 for drive in drives]
    if len(drives) >= 3 and middle(minutes) * 60 < SHORT_TRIP_S:
        lines.append(
            Text("The middle one of {n} drives lasted {min:.0f} minutes.", {"n": len(drives), "min": middle(minutes)})
        )
    balance = facts.estimate.charged_ah - facts.estimate.discharged_ah
    if len(drives) >= 3 and balance < -0.5:
        lines.append(Text("Over the recording {ah:.1f} Ah more were drawn than returned.", {"ah": -balance}))
    if not any(drive.max_v >= NO_CHARGE_V for drive in drives):
        against.append(Text("No drive shows a charging voltage over 13.5 V: look at the charging first."))
    if _drain_low_ma(facts) > DRAIN_MA:
        against.append(Text("The draw while parked is high as well; it empties the battery without any trip."))
    low_now = low_rests or facts.estimate.soc_end.high < LOW_SOC
    return finding("undercharge_short_trips", "act", lines, against) if low_now and len(lines) >= 2 else None


def no_charging(facts: Facts) -> Finding | None:
    """The generator does not charge although the battery would take it."""
    lines: list[Text] = []
    against: list[Text] = []
    silent = [drive for drive in facts.long_drives if drive.max_v < NO_CHARGE_V]
    if silent and len(silent) == len(facts.long_drives):
        lines.append(
            Text(
                "In {n} drives of over 20 minutes the voltage never held more than {volt:.2f} V.",
                {"n": len(silent), "volt": max(drive.max_v for drive in silent)},
            )
        )
        losing = [drive for drive in silent if drive.discharged_ah > drive.charged_ah]
        if losing:
            lines.append(
                Text(
                    "While driving {out:.1f} Ah were drawn from the battery and {into:.1f} Ah returned.",
                    {"out": sum(d.discharged_ah for d in losing), "into": sum(d.charged_ah for d in losing)},
                )
            )
    setpoint, voltage = facts.trace("alternator_setpoint"), facts.trace("battery_voltage")
    if setpoint is not None and voltage is not None:
        running = facts.during(voltage, "running")
        asked = setpoint.held(voltage.time_ns)
        missing = middle((asked - voltage.value)[running])
        if missing > 0.5:
            lines.append(
                Text("The voltage stays {volt:.2f} V below what the generator is told to hold.", {"volt": missing})
            )
        elif lines and middle(asked[running]) < NO_CHARGE_V:
            against.append(Text("The generator is told to hold so low a voltage, and holds it."))
    if facts.is_true("charging_fault"):
        lines.append(Text("The charging system itself reports a fault."))
    full = facts.estimate.soc_start.low > 80 and lines and not facts.is_true("charging_fault")
    if full:
        against.append(Text("The battery was nearly full, so a low charging voltage may be meant."))
    return finding("no_charging", "act", lines, against)


def overvoltage(facts: Facts) -> Finding | None:
    """The charging voltage is too high for the battery's temperature."""
    voltage = facts.trace("battery_voltage")
    if voltage is None:
        return None
    temperature = facts.trace("battery_temperature")
    warmth = np.full(len(voltage), 25.0) if temperature is None else temperature.held(voltage.time_ns, 600.0)
    limit = TOO_HIGH_V + COMPENSATION_V_PER_K * np.maximum(25.0 - np.nan_to_num(warmth, nan=25.0), 0.0)
    seconds = _seconds_above(voltage, limit)
    if seconds < 10:
        return None
    lines = [
        Text(
            "The battery saw up to {volt:.2f} V and was above the limit for its temperature for {s:.0f} s.",
            {"volt": float(np.nanmax(voltage.value)), "s": seconds},
        )
    ]
    for role, name in (("board_voltage", "A control unit"), ("alternator_voltage", "The generator")):
        second = facts.trace(role)
        if second is not None and _seconds_above(second, np.full(len(second), TOO_HIGH_V)) >= 10:
            lines.append(
                Text("{who} saw up to {volt:.2f} V as well.", {"who": name, "volt": float(np.nanmax(second.value))})
            )
    against = [Text("A refresh charge was running, which may be meant to go higher.")]
    return finding("overvoltage", "act", lines, against if facts.is_true("refresh_charging") else ())


def parasitic_drain(facts: Facts) -> Finding | None:
    """Something draws current while the vehicle is parked and should be asleep."""
    if _drain_low_ma(facts) <= DRAIN_MA:
        return None
    quiescent = facts.estimate.quiescent_ma
    lines = [
        Text(
            "Parked and asleep, {ma:.0f} mA are drawn (at least {low:.0f} mA); up to 50 mA is usual.",
            {"ma": abs(quiescent.value), "low": _drain_low_ma(facts)},
        )
    ]
    long = [rest for rest in facts.estimate.rests if rest.end_ns - rest.start_ns >= 3 * 3600e9]
    wake_ups = [wake for rest in long for wake in rest.wake_ups]
    if wake_ups:
        lines.append(
            Text(
                "{n} wake-ups in {h:.0f} parked hours drew {ah:.1f} Ah on top.",
                {
                    "n": len(wake_ups),
                    "h": sum(rest.end_ns - rest.start_ns for rest in long) / 3600e9,
                    "ah": sum(wake.charge_ah for wake in wake_ups),
                },
            )
        )
    falls = [fall for rest in long if math.isfinite(fall := _fall_v_per_hour(facts, rest.start_ns, rest.end_ns))]
    if falls and middle(falls) > 0.0012:
        # 50 mA on a 60 Ah battery are 0.083 % an hour; at 7.6 mV a percent 0.6 mV; twice that is beyond usual
        lines.append(Text("At rest the voltage went on falling by {mv:.1f} mV an hour.", {"mv": 1000 * middle(falls)}))
    return finding("parasitic_drain", "act", lines)


def stop_load_high(facts: Facts) -> Finding | None:
    """The board net draws so much in idle-stops that they end early."""
    current = facts.trace("battery_current")
    if current is None:
        return None
    inside = facts.during(current, "idle_stop")
    if not inside.any():
        return None
    load = -middle(current.value[inside])
    lines: list[Text] = []
    if load > STOP_LOAD_A:
        lines.append(Text("In idle-stops {a:.0f} A are drawn; 20 to 60 A is usual.", {"a": load}))
    ended = facts.failing(lambda reason: reason.role in {"battery_voltage", "battery_current"})
    if load > STOP_LOAD_A and ended:
        lines.append(Text("{n} stops ended early or were refused on voltage or current.", {"n": len(ended)}))
    amounts = [load * phase.seconds / 3600 for phase in facts.estimate.phases if phase.kind == "idle_stop"]
    if load > STOP_LOAD_A and max(amounts) > STOP_CHARGE_AH:
        lines.append(Text("One stop drew {ah:.1f} Ah.", {"ah": max(amounts)}))
    return finding("stop_load_high", "check", lines)


def low_ocv_at_full(facts: Facts) -> Finding | None:
    """Fully charged, the battery still shows a low voltage at rest: acid or active material is lost."""
    acceptance = facts.estimate.drives
    for rest in facts.long_rests:
        before = [drive for drive in acceptance if drive.end_ns <= rest.start_ns]
        if not before or rest.end_ns - rest.start_ns < LONG_REST_S * 1e9:
            continue
        drive = before[-1]
        long_charge = drive.end_ns - drive.start_ns > 2 * 3600e9 and drive.max_v >= 14.0
        if (
            long_charge
            and _tail_current(facts, drive.end_ns) < 0.01 * facts.platform.battery.capacity_nominal
            and (rest.soc_from_ocv.high < 85)
        ):
            return finding(
                "low_ocv_at_full",
                "check",
                [
                    Text(
                        "After {h:.1f} h of charging the current had died away.",
                        {"h": (drive.end_ns - drive.start_ns) / 3600e9},
                    ),
                    Text("Yet at rest the battery stood at only {volt:.2f} V.", {"volt": rest.end_v}),
                ],
            )
    return None


def _tail_current(facts: Facts, end_ns: int) -> float:
    """Median current of the last five minutes before an instant [A]; infinite where there is none."""
    current = facts.trace("battery_current")
    if current is None:
        return math.inf
    first, last = np.searchsorted(current.time_ns, [end_ns - int(300e9), end_ns])
    tail = middle(current.value[first:last])
    return abs(tail) if math.isfinite(tail) else math.inf


def _drain_low_ma(facts: Facts) -> float:
    """The least that is surely drawn while parked [mA], 0 where it is not known."""
    quiescent = facts.estimate.quiescent_ma
    return max(-quiescent.high, 0.0) if quiescent.is_known else 0.0


def _seconds_above(trace: Trace, limit: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    """Longest stretch of samples above a limit [s]."""
    above = trace.valid & (trace.value > limit)
    if len(trace) < 2 or not above.any():
        return 0.0
    edges = np.flatnonzero(np.diff(np.concatenate(([False], above, [False])).astype(np.int8)))
    starts, ends = edges[::2], np.minimum(edges[1::2], len(trace) - 1)
    return float((trace.time_ns[ends] - trace.time_ns[starts]).max() / 1e9)


def _fall_v_per_hour(facts: Facts, start_ns: int, end_ns: int) -> float:
    """How fast the voltage falls over the second half of a rest [V/h]; NaN with fewer than ten samples."""
    voltage = facts.trace("battery_voltage")
    if voltage is None:
        return math.nan
    half = (start_ns + end_ns) // 2
    first, last = np.searchsorted(voltage.time_ns, [half, end_ns])
    keep = voltage.valid[first:last]
    hours = (voltage.time_ns[first:last][keep] - half) / 3600e9
    if len(hours) < 10 or hours[-1] < 1:
        return math.nan
    return -float(np.polyfit(hours, voltage.value[first:last][keep], 1)[0])
