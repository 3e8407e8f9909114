"""When the engine runs, and when an idle-stop has it switched off."""

from __future__ import annotations

import numpy as np

from decoder.frames import Int64Array
from idle_stop.readings import Readings
from idle_stop.steps import FAILING, MET, UNKNOWN, Steps, bridged, first_known, joined, merged
from signal_defs.platform import IdleStopRules

RUNNING_RPM = 400.0  # above cranking, below any idle speed; common practice, no source
KEY_OFF_NS = 1_000_000_000  # ignition off within this of the engine's end: the key did it; common practice, no source
CRANK_NS = 3_000_000_000  # engine off to engine running through a crank takes less; common practice, no source
_DROPOUT_NS = 10_000_000_000  # a loss of signal this short hides no start; common practice, no source
_LONGEST_STOP_S = 305.0  # published time limits of one stop are 3 and 5 minutes
_BY_PHASE = {"running": MET, "parked": FAILING, "awake": FAILING, "cranking": FAILING, "idle_stop": FAILING}


def flag_steps(readings: Readings, role: str) -> Steps | None:
    """A flag over time (MET is true); None where the role was never seen."""
    return level_steps(readings, role, 0.5)


def level_steps(readings: Readings, role: str, above: float) -> Steps | None:
    """A value against a level (MET above it); None where the role was never seen."""
    reading = readings.of(role)
    return None if reading is None else reading.steps((reading.low > above).astype(np.int8))


def engine_steps(readings: Readings) -> Steps:
    """The engine over time: MET runs, FAILING stands or is cranked.

    From `engine_running`, where that is unknown from `engine_speed`, and without both from the estimate's phases.
    """
    flag, speed = flag_steps(readings, "engine_running"), level_steps(readings, "engine_speed", RUNNING_RPM)
    known = [steps for steps in (flag, speed) if steps is not None]
    if not known:
        return _phase_steps(readings)
    steps = known[0] if len(known) == 1 else first_known(known[0], known[1])
    return bridged(steps, UNKNOWN, _DROPOUT_NS)


def has_engine_signals(readings: Readings) -> bool:
    """Whether the log itself tells of the engine or of the vehicle's movement."""
    return any(readings.of(role) is not None for role in ("engine_running", "engine_speed", "vehicle_speed"))


def idle_stop_spans(readings: Readings, engine: Steps, rules: IdleStopRules) -> Int64Array:
    """All idle-stops, (m, 2) start and end [ns].

    What the vehicle says (`idle_stop_active`) comes first. Else: the engine stands after having run, with the ignition
    on; without an ignition signal the estimate's phases decide, and where they say nothing, a restart within the
    longest stop.
    """
    end_ns = readings.recording.end_ns
    told = flag_steps(readings, "idle_stop_active")
    if told is not None and (told.state != UNKNOWN).any():
        return bridged(told, UNKNOWN, _DROPOUT_NS).spans(MET, end_ns)
    stops = [(phase.start_ns, phase.end_ns) for phase in readings.estimate.phases if phase.kind == "idle_stop"]
    by_phase = np.array(stops, dtype=np.int64).reshape(-1, 2)
    if not any(readings.of(role) is not None for role in ("engine_running", "engine_speed")):
        return by_phase
    ignition = flag_steps(readings, "ignition_on")
    kept = []
    for start, end in _off_after_running(engine, end_ns):
        off_ns = _ignition_off(ignition, start, end)
        if ignition is not None and ignition.now(start + KEY_OFF_NS) != UNKNOWN:
            if off_ns is None or off_ns > start + KEY_OFF_NS:
                kept.append((start, end if off_ns is None else off_ns))
        elif _is_stop_by_phase(readings, by_phase, start, end, rules, restarted=engine.now(end) == MET):
            kept.append((start, end))
    return np.array(kept, dtype=np.int64).reshape(-1, 2)


def session_spans(readings: Readings, engine: Steps, stops: Int64Array) -> Int64Array:
    """When the vehicle is in use: the engine runs, an idle-stop has it off, or it is being restarted from one."""
    running = engine.spans(MET, readings.recording.end_ns)
    return joined(np.concatenate([running, stops]), CRANK_NS)


def _phase_steps(readings: Readings) -> Steps:
    """The engine by the estimate's phases; UNKNOWN between and in those that do not tell."""
    phases = readings.estimate.phases
    time = np.array([instant for phase in phases for instant in (phase.start_ns, phase.end_ns)], dtype=np.int64)
    state = [part for phase in phases for part in (_BY_PHASE.get(phase.kind, UNKNOWN), UNKNOWN)]
    return merged(time, np.array(state, dtype=np.int8))


def _off_after_running(engine: Steps, end_ns: int) -> list[tuple[int, int]]:
    """Spans with the engine off that follow on its running."""
    ends = np.append(engine.time_ns[1:], end_ns)
    found = np.flatnonzero((engine.state[1:] == FAILING) & (engine.state[:-1] == MET)) + 1
    return [(int(engine.time_ns[index]), int(ends[index])) for index in found]


def _ignition_off(ignition: Steps | None, start: int, end: int) -> int | None:
    """When the ignition went off in the span, or a second before it already."""
    if ignition is None:
        return None
    if ignition.now(start) == FAILING:
        return start
    return ignition.entered_ns(FAILING, start, end)


def _is_stop_by_phase(
    readings: Readings, by_phase: Int64Array, start: int, end: int, rules: IdleStopRules, *, restarted: bool
) -> bool:
    """Whether an engine-off span without an ignition signal is an idle-stop."""
    shared = np.minimum(by_phase[:, 1], end) - np.maximum(by_phase[:, 0], start)
    if np.maximum(shared, 0).sum() * 2 > end - start:
        return True
    if any(p.kind in {"parked", "awake"} and p.start_ns < end and p.end_ns > start for p in readings.estimate.phases):
        return False
    longest_s = _LONGEST_STOP_S if rules.max_stop_s is None else rules.max_stop_s + 5.0
    return restarted and (end - start) / 1e9 <= longest_s
