"""What is wrong with a recording's data: gaps, values that never change, roles never seen."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np

from decoder.recording import Gap, Trace
from decoder.timeline import MAX_GAPS

GAP_PERIODS = 10.0  # a gap is longer than this many of the signal's own periods
GAP_S = 1.0  # and longer than this
NEIGHBOURS = 5
FROZEN_S = 60.0  # a live analogue value repeats exactly for longer only if it is stuck; common practice, no source
FROZEN_SAMPLES = 100
LIVE_ROLES = ("battery_voltage", "battery_current", "board_voltage", "alternator_current")  # never exactly still
MOVING_ROLES = ("engine_speed", "vehicle_speed", "alternator_voltage")  # not still while they are not zero


def gaps_of(trace: Trace) -> list[Gap]:
    """Stretches without a sample: over one second, and over ten periods of the signal, there and in all.

    A bus that falls asleep sends less often; that is no gap. So a step is also held against the median of the five
    steps before it and of the five after it, and the longer of the two counts.
    """
    if len(trace) < 2:
        return []
    step = np.diff(trace.time_ns)
    rows = np.flatnonzero(step > max(GAP_PERIODS * trace.period_s, GAP_S) * 1e9)
    if len(rows):
        around = np.arange(1, NEIGHBOURS + 1)
        before = np.median(step[np.maximum(rows[:, None] - around, 0)], axis=1)
        after = np.median(step[np.minimum(rows[:, None] + around, len(step) - 1)], axis=1)
        alone = len(step) <= 2 * NEIGHBOURS
        rows = rows if alone else rows[step[rows] > GAP_PERIODS * np.maximum(before, after)]
    if len(rows) > MAX_GAPS:
        rows = np.sort(rows[np.argsort(step[rows], kind="stable")[-MAX_GAPS:]])
    return [Gap(trace.role, int(trace.time_ns[row]), int(trace.time_ns[row + 1])) for row in rows.tolist()]


def is_frozen(trace: Trace) -> bool:
    """Whether a value that should move never did, over a minute and a hundred samples."""
    moving = trace.role in MOVING_ROLES
    if not moving and trace.role not in LIVE_ROLES:
        return False
    value = trace.value[trace.valid]
    if len(value) < FROZEN_SAMPLES or (trace.time_ns[-1] - trace.time_ns[0]) < FROZEN_S * 1e9:
        return False
    return bool((value == value[0]).all()) and not (moving and value[0] == 0.0)


def response_error_edges(traces: Mapping[str, Trace]) -> int:
    """How often the sensor's response_error bit rose; it is set until reported, so samples do not count errors."""
    trace = traces.get("lin_response_error")
    if trace is None:
        return 0
    value = trace.value[trace.valid]
    return int(np.count_nonzero((value[1:] > 0) & (value[:-1] == 0))) + int(len(value) > 0 and value[0] > 0)


def never_seen(bound: Collection[str], traces: Mapping[str, Trace]) -> tuple[str, ...]:
    """Roles that the platform binds but no log has a sample of."""
    return tuple(role for role in bound if role not in traces)
