"""Finding on the way between battery and control units: a clamp, a cable or a ground point that takes voltage."""

from __future__ import annotations

import math

import numpy as np

from decoder.frames import Int64Array
from decoder.recording import Recording, Trace
from estimator.estimate import Start
from idle_stop.findings.facts import Facts, Finding, finding, middle
from signal_defs.text import Text

CONTACT_MOHM = 8.0  # between battery and control unit; cables and ground take 1 to 3; common practice, no source
CONTACT_DROP_V = 0.8  # plus and ground cable together while cranking; published cable-drop procedures: 0.5 to 0.8 V
STEADY_A = 10.0  # a larger jump within a second is none
KNOWN_MOHM = 2.0
SECOND = 1_000_000_000  # ns


def ground_contact(facts: Facts) -> Finding | None:
    """The voltage lost between battery and control unit grows with current: a clamp, cable or ground contact."""
    slope = facts.sensor.board_resistance_mohm
    steady = steady_contact_mohm(facts)
    lines: list[Text] = []
    if steady > CONTACT_MOHM:
        lines.append(
            Text(
                "Between battery and control unit {mv:.0f} mV are lost for every 10 A of steady current "
                "({r:.1f} mOhm).",
                {"mv": 10 * steady, "r": steady},
            )
        )
    drops = [drop for start in facts.resolved_starts if math.isfinite(drop := _lost_v(facts, start))]
    if len(drops) >= 2 and middle(drops) > CONTACT_DROP_V:
        lines.append(
            Text("While cranking the control unit sees {volt:.1f} V less than the battery.", {"volt": middle(drops)})
        )
    if drops and middle(drops) < 0.5 * CONTACT_DROP_V:
        return None  # hundreds of ampere lose next to nothing
    if not lines or not (slope.low > 0.5 * CONTACT_MOHM or steady > CONTACT_MOHM):
        return None
    against = []
    if not steady > 0.5 * CONTACT_MOHM:
        against.append(
            Text("While the current is steady next to nothing is lost: the two may be sampled at different instants.")
        )
    if _is_scaling(facts):
        against.append(
            Text("The two differ by a constant ratio rather than with the current: one may be scaled wrong.")
        )
    return finding("ground_contact", "act", lines, against)


def _lost_v(facts: Facts, start: Start) -> float:
    """Median of what the control unit sees less than the battery in one crank's plateau [V]."""
    voltage, board = facts.trace("battery_voltage"), facts.trace("board_voltage")
    if voltage is None or board is None:
        return math.nan
    first, last = np.searchsorted(board.time_ns, [start.start_ns + int(0.1e9), start.end_ns])
    return middle(voltage.held(board.time_ns[first:last], 0.06) - board.value[first:last])


def _is_scaling(facts: Facts) -> bool:
    """Whether the control unit's voltage is the battery's times a factor that is not one, leaving less than current."""
    voltage, board, current = (facts.trace(role) for role in ("battery_voltage", "board_voltage", "battery_current"))
    if voltage is None or board is None or current is None:
        return False
    at_ns = board.time_ns[:: max(len(board) // 20000, 1)]
    battery, seen, amps = voltage.held(at_ns, 0.25), board.held(at_ns), current.held(at_ns, 0.25)
    known = np.isfinite(battery) & np.isfinite(seen) & np.isfinite(amps)
    if known.sum() < 100 or float(np.ptp(amps[known])) < STEADY_A:
        return False
    battery, seen, amps = battery[known], seen[known], amps[known]
    factor = float(seen @ battery / (battery @ battery))
    line = np.polyfit(amps, seen - battery, 1)
    by_factor, by_current = np.std(seen - factor * battery), np.std(seen - battery - np.polyval(line, amps))
    return bool(abs(factor - 1.0) > 0.01 and by_factor < by_current)


def steady_contact_mohm(facts: Facts) -> float:
    """Resistance between battery and control unit while the current is steady [mOhm]; NaN where it cannot be told.

    Least squares of the voltage lost over the current, one row a second, with the generator's own step taken out (it
    feeds the control unit past the battery). Rows within two seconds of a jump of the current are left out, so that
    different instants of sampling are not taken for a resistance. NaN if known to no better than 2 mOhm.
    """
    voltage, board, current = (facts.trace(role) for role in ("battery_voltage", "board_voltage", "battery_current"))
    if voltage is None or board is None or current is None:
        return math.nan
    at_ns = _seconds_with_samples(voltage, facts.recording)
    lost, amps = voltage.held(at_ns, 0.25) - board.held(at_ns, 0.25), current.held(at_ns, 0.25)
    runs = facts.in_phases(at_ns, "running").astype(np.float64)
    jump = np.abs(np.diff(amps, prepend=np.nan))
    jump[np.diff(at_ns, prepend=at_ns[:1]) != SECOND] = np.nan  # across a silence nothing is known to be steady
    steady = (jump < STEADY_A) & (np.roll(jump, 1) < STEADY_A) & np.isfinite(lost)
    if steady.sum() < 100:
        return math.nan
    design = np.column_stack((amps, runs, np.ones(len(amps))))[steady]
    inverse = np.linalg.pinv(design.T @ design)
    answer = inverse @ (design.T @ lost[steady])
    error = float(np.std(lost[steady] - design @ answer)) * math.sqrt(float(inverse[0, 0]))
    return -1000.0 * float(answer[0]) if 2000.0 * error < KNOWN_MOHM else math.nan


def _seconds_with_samples(trace: Trace, recording: Recording) -> Int64Array:
    """Whole seconds of the recording with a sample at most a second before; silent years take no memory."""
    second = np.unique((trace.time_ns - recording.start_ns) // SECOND)
    at_ns = recording.start_ns + SECOND * np.union1d(second, second + 1)
    return at_ns[(at_ns >= recording.start_ns) & (at_ns < recording.end_ns)]
