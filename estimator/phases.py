"""Phases: parked, awake, cranking, running, idle-stop, from the engine's signals or from voltage and current alone."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from decoder.recording import Recording
from estimator.cranks import RUNNING_RPM, Crank
from estimator.estimate import Phase, PhaseKind
from estimator.grid import SECOND_NS, Grid, runs_of

CHARGING_V = 13.2  # above any settled battery at rest; common practice
CHARGING_A = 0.5  # nothing but a generator or a charger makes the current positive, a sensor's offset apart
SURFACE_A = 3.0  # drawn above CHARGING_V: surface charge, not a generator
PARKED_A = 1.5  # asleep or nearly so; common practice
SETTLE_S = 60.0  # a quiet minute makes an engine-off stretch "parked"
LONGEST_STOP_S = 600.0  # an engine-off stretch before a restart is an idle-stop up to this; published limits: 3-5 min
SILENCE_S = 300  # quiet or unseen for longer parts what lies on both sides. Ours
SOON_CHARGED_S = 3600  # charging that begins later after a crank does not show that the engine ran all along. Ours
SEAM_ROWS = 2  # rows of a second in which two messages of the same moment may differ
KINDS: tuple[PhaseKind, ...] = ("unknown", "parked", "awake", "cranking", "running", "idle_stop")
UNKNOWN, PARKED, AWAKE, CRANKING, RUNNING, IDLE_STOP = range(6)


@dataclass(frozen=True, slots=True, eq=False)
class PhaseRows:
    """kind: (n,) index into KINDS for each row of the grid. phases: the same as stretches that cover the recording."""

    kind: Int64Array
    phases: tuple[Phase, ...]


def find_phases(recording: Recording, grid: Grid, cranks: tuple[Crank, ...]) -> PhaseRows:
    """What the vehicle was doing in every row.

    Signals decide where they are; elsewhere the battery does: charging means running, a crank begins it, and after the
    last charging second the engine is off. Engine off between two running stretches, short, with the board still
    drawing and a crank at its end, is an idle-stop.
    """
    if not len(grid):
        whole = Phase("unknown", recording.start_ns, recording.end_ns)
        return PhaseRows(np.zeros(0, dtype=np.int64), (whole,) if recording.duration_s > 0 else ())
    told = _told_running(recording, grid)
    running = np.where(np.isnan(told), _charging_running(grid, cranks), told > 0.5)
    kind = np.where(running, RUNNING, AWAKE).astype(np.int64)
    quiet = _quiet(grid) & ~running
    kind[quiet] = PARKED
    _mark_idle_stops(recording, grid, kind, cranks)
    for crank in cranks:
        rows = grid.rows(crank.start_ns - SECOND_NS + 1, crank.end_ns + 1)
        kind[rows] = CRANKING
    _close_seams(kind)
    kind[np.isnan(grid.voltage) & np.isnan(grid.current) & np.isnan(told)] = UNKNOWN
    return PhaseRows(kind, _stretches(recording, grid, kind, cranks))


def _told_running(recording: Recording, grid: Grid) -> FloatArray:
    """(n,) 1 running, 0 not, NaN where no signal tells."""
    told = np.full(len(grid), np.nan)
    for role, limit in (("engine_running", 0.5), ("engine_speed", 0.6 * RUNNING_RPM)):
        trace = recording.traces.get(role)
        if trace is not None and len(trace):
            value = trace.held(grid.time_ns + SECOND_NS - 1)
            told = np.where(np.isnan(value) | ~np.isnan(told), told, value >= limit)
    return told


def _charging_running(grid: Grid, cranks: tuple[Crank, ...]) -> BoolArray:
    """(n,) running as the battery alone tells it: from a crank to the last charging second before the next."""
    with np.errstate(invalid="ignore"):
        charging = (grid.current > CHARGING_A) | ((grid.voltage > CHARGING_V) & (grid.current > -SURFACE_A))
        charging |= np.isnan(grid.current) & (grid.voltage > CHARGING_V)
    running = np.zeros(len(grid), dtype=bool)
    edges = [0, *(int(np.searchsorted(grid.time_ns, crank.start_ns)) for crank in cranks), len(grid)]
    for number, (first, last) in enumerate(pairwise(edges)):
        rows = np.flatnonzero(_held_on(charging[first:last], 3))
        if not len(rows):
            continue
        # A silence of the log inside is no proof of running: each stretch between silences stands for itself.
        silent = np.diff(grid.time_ns[first + rows]) > SILENCE_S * SECOND_NS
        parts = np.split(rows, np.flatnonzero(silent) + 1)
        for place, part in enumerate(parts):
            soon = grid.time_ns[first + part[0]] - grid.time_ns[first] < SOON_CHARGED_S * SECOND_NS
            begin = first if number > 0 and place == 0 and soon else first + part[0]
            running[begin : first + part[-1] + 1] = True
    return running


def _held_on(flag: BoolArray, rows: int) -> BoolArray:
    """The flag, but only in runs of at least so many rows."""
    out = np.zeros(len(flag), dtype=bool)
    for start, end in runs_of(flag):
        if end - start >= rows:
            out[start:end] = True
    return out


def _quiet(grid: Grid) -> BoolArray:
    """(n,) rows in quiet stretches: under PARKED_A for a minute, short blips of up to five minutes within included."""
    with np.errstate(invalid="ignore"):
        quiet = np.abs(grid.current) < PARKED_A
    long = [(a, b) for a, b in runs_of(quiet) if grid.time_ns[b - 1] - grid.time_ns[a] >= SETTLE_S * SECOND_NS]
    out = np.zeros(len(grid), dtype=bool)
    for start, end in long:
        out[start:end] = True
    for (_, end), (start, _) in pairwise(long):
        out[end:start] |= grid.time_ns[start] - grid.time_ns[end - 1] <= SILENCE_S * SECOND_NS
    return out


def _mark_idle_stops(recording: Recording, grid: Grid, kind: Int64Array, cranks: tuple[Crank, ...]) -> None:
    flag = recording.traces.get("idle_stop_active")
    told = flag.held(grid.time_ns + SECOND_NS // 2) if flag is not None else np.full(len(grid), np.nan)
    off = (kind == AWAKE) | (kind == PARKED)
    kind[off & (told > 0.5)] = IDLE_STOP
    for crank in cranks:  # ends the stop, even if the engine is switched off again before it counts as running
        off[grid.rows(crank.start_ns - SECOND_NS + 1, crank.end_ns + 1)] = False
    ignition = recording.traces.get("ignition_on")
    on = ignition.held(grid.time_ns + SECOND_NS // 2, 60.0) if ignition is not None else np.full(len(grid), np.nan)
    crank_ns = np.array([crank.start_ns for crank in cranks], dtype=np.int64)
    for start, end in runs_of(off):
        if start == 0 or end == len(grid) or not np.isnan(told[start:end]).all():
            continue
        begin_ns, end_ns = grid.time_ns[start], grid.time_ns[end - 1] + SECOND_NS
        short = end_ns - begin_ns <= LONGEST_STOP_S * SECOND_NS and kind[start - 1] == RUNNING
        restarted = bool((np.abs(crank_ns - end_ns) < 3 * SECOND_NS).any())
        keyed, drawn = on[start:end], grid.current[start:end]
        drawn = drawn[np.isfinite(drawn)]
        drawing = bool(len(drawn)) and float(np.median(drawn)) < -PARKED_A
        powered = drawing if np.isnan(keyed).all() else not (keyed < 0.5).any()
        if short and restarted and powered:
            kind[start:end] = IDLE_STOP


def _close_seams(kind: Int64Array) -> None:
    """A second or two of engine off at the edge of an idle-stop belong to it: its flag and the engine's come apart."""
    off = (kind == AWAKE) | (kind == PARKED)
    for start, end in runs_of(off):
        if end - start > SEAM_ROWS or start == 0 or end == len(kind):
            continue
        around = {int(kind[start - 1]), int(kind[end])}
        if IDLE_STOP in around and around <= {IDLE_STOP, RUNNING, CRANKING}:
            kind[start:end] = IDLE_STOP


def _stretches(recording: Recording, grid: Grid, kind: Int64Array, cranks: tuple[Crank, ...]) -> tuple[Phase, ...]:
    """Phases that cover the recording without overlap; silence over a minute is unknown unless parked on both sides."""
    starts = grid.time_ns
    ends = starts + SECOND_NS
    off_after = np.append(np.isin(kind[1:], (PARKED, AWAKE, CRANKING)), kind[-1] == PARKED)
    silent = np.flatnonzero(np.append(starts[1:], recording.end_ns) - ends > 60 * SECOND_NS)
    asleep = np.isin(kind[silent], (PARKED, AWAKE)) & off_after[silent]
    late = starts[0] - recording.start_ns > 60 * SECOND_NS
    head = np.array([recording.start_ns] if late else [], dtype=np.int64)
    times = np.concatenate((head, starts, ends[silent]))
    kinds = np.concatenate((np.full(len(head), UNKNOWN), kind, np.where(asleep, PARKED, UNKNOWN)))
    order = np.argsort(times, kind="stable")
    times, kinds = times[order], kinds[order]
    change = np.concatenate(([True], kinds[1:] != kinds[:-1]))
    times, kinds = times[change], kinds[change]
    bounds = np.clip(np.append(times, recording.end_ns), recording.start_ns, recording.end_ns)
    bounds[0] = recording.start_ns
    phases = _exact_cranks(bounds, kinds, cranks)
    return tuple(phase for phase in phases if phase.end_ns > phase.start_ns)


def _exact_cranks(bounds: Int64Array, kinds: Int64Array, cranks: tuple[Crank, ...]) -> list[Phase]:
    """Stretches, with each crank's edges taken from its samples instead of whole seconds."""
    bounds = bounds.copy()
    for number in np.flatnonzero(kinds == CRANKING):
        inside = [c for c in cranks if bounds[number] - SECOND_NS < c.start_ns < bounds[number + 1] + SECOND_NS]
        if inside:
            bounds[number] = inside[0].start_ns if number else bounds[number]
            bounds[number + 1] = (
                max(inside[-1].end_ns, inside[0].start_ns + 1) if number + 2 < len(bounds) else bounds[-1]
            )
    return [Phase(KINDS[k], int(a), int(b)) for k, a, b in zip(kinds, bounds, bounds[1:], strict=False)]
