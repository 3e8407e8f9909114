"""Findings on the data: what the sensor, the bus or the logger did not carry."""

from __future__ import annotations

import numpy as np

from decoder.recording import Gap, Trace
from idle_stop.findings.facts import Facts, Finding, finding
from signal_defs.text import Text, many

BAD_SHARE = 0.01  # of the frames; a line in order shows next to none; common practice, no source
NEARLY_ALL = 0.9
SILENT_SHARE = 0.05
STUCK_S = 60.0
STUCK_SAMPLES = 100
PARTNERS = {
    "battery_voltage": ("battery_current", "board_voltage"),
    "battery_current": ("battery_voltage", "alternator_current"),
    "board_voltage": ("battery_voltage",),
    "alternator_current": ("battery_current",),
    "alternator_voltage": ("battery_voltage",),
    "engine_speed": ("vehicle_speed",),
    "vehicle_speed": ("engine_speed",),
}
MOVES = {"V": 0.3, "A": 10.0, "rpm": 300.0, "km/h": 10.0}  # what a live signal moves in a drive; common practice
NEAR_CRANK_NS = 2_000_000_000
_NAMES = {
    "alternator_current": Text("generator current"),
    "alternator_voltage": Text("generator voltage"),
    "battery_current": Text("battery current"),
    "battery_voltage": Text("battery voltage"),
    "board_voltage": Text("voltage at a control unit"),
    "engine_speed": Text("engine speed"),
    "vehicle_speed": Text("vehicle speed"),
}


def sensor_mute(facts: Facts) -> Finding | None:
    """The sensor's frames are asked for and do not come, or carry nothing."""
    lines: list[Text] = []
    traces = facts.recording.traces
    silent = facts.recording.faults.rejected.get("lin_no_response", 0)
    answered = max(len(traces.get(role, ())) for role in ("battery_voltage", "battery_current"))
    if silent > SILENT_SHARE * (silent + answered):
        lines.append(
            many(
                "Once the sensor was asked and did not answer.",
                "{n} times the sensor was asked and did not answer.",
                silent,
            )
        )
    empty = {
        role: 1.0 - float(trace.valid.mean())
        for role in ("battery_voltage", "battery_current")
        if (trace := traces.get(role)) is not None and len(trace)
    }
    worst = max(empty, key=lambda role: empty[role], default="")
    if worst and empty[worst] > 0.5:
        lines.append(
            Text(
                '{p:.0f} % of what it sends for {role} means "not available".',
                {"p": 100 * empty[worst], "role": role_name(worst)},
            )
        )
    unseen = [role for role in ("battery_voltage", "battery_current") if role in facts.recording.faults.never_seen]
    if unseen and lines:
        lines.append(Text("Not a single value of {role} arrived.", {"role": role_name(unseen[0])}))
    against: list[Text] = []
    if silent and not unseen and max(empty.values(), default=1.0) < 0.05 and _answers_running(facts):
        against.append(Text("While the engine ran it answered: parked, the line may only have been asleep."))
    return finding("sensor_mute", "act", lines, against)


def _answers_running(facts: Facts) -> bool:
    """Whether the voltage was there nearly throughout all running phases."""
    voltage = facts.trace("battery_voltage")
    running = sum(phase.seconds for phase in facts.estimate.phases if phase.kind == "running")
    if voltage is None or running < STUCK_S:
        return False
    inside = voltage.time_ns[facts.during(voltage, "running")] // 1_000_000_000
    return bool(len(np.unique(inside)) > 0.9 * running)


def lin_errors(facts: Facts) -> Finding | None:
    """Frames of the sensor's line arrive damaged."""
    rejected = facts.recording.faults.rejected
    checksum, parity = rejected.get("lin_checksum", 0), rejected.get("lin_parity", 0)
    whole = checksum + parity + len(facts.recording.traces.get("battery_voltage", ()))
    lines: list[Text] = []
    if whole and checksum > BAD_SHARE * whole:
        lines.append(Text("{n} LIN frames have a checksum that fits no rule.", {"n": checksum}))
    if whole and parity > BAD_SHARE * whole:
        lines.append(Text("{n} LIN identifiers have wrong parity.", {"n": parity}))
    edges = facts.recording.faults.response_error_edges
    if edges > 2:
        lines.append(Text("The sensor reported errors in its own frames {n} times.", {"n": edges}))
    against: list[Text] = []
    if whole and checksum > NEARLY_ALL * whole:
        against.append(Text("Nearly all frames are hit: the definition may have the wrong kind of checksum or length."))
    return finding("lin_errors", "check", lines, against)


def frozen_value(facts: Facts) -> Finding | None:
    """A value that should move stands still while another shows that it should."""
    lines: list[Text] = []
    proven = False
    for role, partners in PARTNERS.items():
        trace = facts.recording.traces.get(role)
        if trace is None or not len(trace):
            continue
        span = _longest_still(trace, _driven(facts, trace))
        if span is None:
            continue
        partner = next((name for name in partners if _moves(facts, name, span)), None)
        if partner is None and role not in facts.recording.faults.frozen:
            continue
        seconds = (span[1] - span[0]) / 1e9
        lines.append(Text("{role} did not change for {s:.0f} s of driving.", {"role": role_name(role), "s": seconds}))
        if partner is not None:
            proven = True
            lines.append(Text("Meanwhile {role} did.", {"role": role_name(partner)}))
    return finding("frozen_value", "check", lines, capped=not proven)


def _driven(facts: Facts, trace: Trace) -> np.ndarray:
    return facts.during(trace, "running", "cranking", "idle_stop", "unknown")


def _longest_still(trace: Trace, driven: np.ndarray) -> tuple[int, int] | None:
    """First and last instant [ns] of the longest stretch of one value, not zero, over a minute and 100 samples."""
    rows = np.flatnonzero(driven)
    if len(rows) < STUCK_SAMPLES:
        return None
    value, time_ns = trace.value[rows], trace.time_ns[rows]
    cuts = np.flatnonzero((np.diff(value) != 0.0) | (np.diff(time_ns) > 10_000_000_000)) + 1
    starts, ends = np.append(0, cuts), np.append(cuts, len(value))
    long = (
        (ends - starts >= STUCK_SAMPLES) & (time_ns[ends - 1] - time_ns[starts] > STUCK_S * 1e9) & (value[starts] != 0)
    )
    if not long.any():
        return None
    best = int(np.argmax(np.where(long, time_ns[ends - 1] - time_ns[starts], 0)))
    return int(time_ns[starts[best]]), int(time_ns[ends[best] - 1])


def _moves(facts: Facts, role: str, span: tuple[int, int]) -> bool:
    """Whether another signal moved in a span as much as one does in a drive."""
    trace = facts.trace(role)
    if trace is None:
        return False
    first, last = np.searchsorted(trace.time_ns, span)
    values = trace.value[first:last][trace.valid[first:last]]
    if len(values) < STUCK_SAMPLES // 2:
        return False
    low, high = np.quantile(values, (0.05, 0.95))
    return bool(high - low > MOVES[trace.unit])


def data_gap(facts: Facts) -> Finding | None:
    """The log has holes or its clock jumped: nothing was integrated across them."""
    faults = facts.recording.faults
    silent = [gap for gap in faults.gaps if gap.role in {"", "battery_current"} and not _is_sleep(facts, gap)]
    lines: list[Text] = []
    if silent:
        lines.append(
            many(
                "One gap in the current, of {s:.0f} s.",
                "{n} gaps in the current, {s:.0f} s in all, the longest {longest:.0f} s.",
                len(silent),
                s=sum(gap.seconds for gap in silent),
                longest=max(gap.seconds for gap in silent),
            )
        )
        cranks = [start.start_ns for start in facts.estimate.starts]
        near = sum(any(abs(gap.start_ns - at) < NEAR_CRANK_NS for at in cranks) for gap in silent)
        if near:
            lines.append(Text("{n} of them begin at a crank: logger or sensor may lose its supply.", {"n": near}))
    if faults.clock_steps_ns:
        n = len(faults.clock_steps_ns)
        lines.append(many("The clock of the log jumped once.", "The clock of the log jumped {n} times.", n))
    dropped = sum(sum(source.dropped.values()) for source in facts.recording.sources)
    if dropped:
        lines.append(
            many("One record of the log could not be read.", "{n} records of the log could not be read.", dropped)
        )
    return finding("data_gap", "note", lines, observed=True)


def _is_sleep(facts: Facts, gap: Gap) -> bool:
    """Whether the vehicle was parked or off before and after a silence: then the bus slept, as it should."""
    off = [phase for phase in facts.estimate.phases if phase.kind in {"parked", "awake"}]
    before = any(phase.start_ns <= gap.start_ns <= phase.end_ns for phase in off)
    after = any(phase.start_ns <= gap.end_ns <= phase.end_ns for phase in off)
    crank = any(0 <= start.start_ns - gap.end_ns < 5 * NEAR_CRANK_NS for start in facts.estimate.starts)
    return before and (after or crank)


def role_name(role: str) -> Text:
    """The role as a person calls it; one that is not in the table with blanks for its underscores."""
    return _NAMES.get(role) or Text("{name}", {"name": role.removeprefix("x_").replace("_", " ")})
