"""Whether the sensor's own state of charge can be believed: not while it is reset, stands still, or has jumped."""

from __future__ import annotations

import numpy as np

from decoder.frames import BoolArray, Int64Array
from decoder.recording import Recording, Trace
from estimator.estimate import BatteryEstimate

# Common practice, no source, for all four.
_MOVED_PERCENT = 5.0  # the estimate moved this much beyond its band while the sensor's figure did not move at all
_ASLEEP_NS = 600 * 1_000_000_000  # a pause as long as this is a sleep
_JUMP_PERCENT = 10.0  # more than self-discharge and quiescent draw take in a usual rest
_LOSS_PERCENT_PER_DAY = 3.0  # allowed on top of it for a long rest


def soc_doubted(recording: Recording, estimate: BatteryEstimate) -> BoolArray:
    """Samples of `battery_soc` that say nothing about the charge, (n,).

    All of them where the figure stood still although charge moved; those while the sensor says it is reset or not
    plausible; those from a jump at wake-up to the next sleep. Source: common practice, no source.
    """
    trace = recording.traces["battery_soc"]
    if _stood_still(recording, estimate, trace):
        return np.ones(len(trace), dtype=np.bool_)
    doubted = _after_jump(trace)
    for role, bad in (("battery_sensor_reset", 1.0), ("battery_soc_plausible", 0.0)):
        flag = recording.traces.get(role)
        if flag is not None and len(flag):
            doubted |= flag.held(trace.time_ns) == bad
    return doubted


def _stood_still(recording: Recording, estimate: BatteryEstimate, trace: Trace) -> bool:
    some = trace.value[:: max(len(trace) // 1024, 1)]
    known = some[np.isfinite(some)]
    if len(known) and known.min() != known.max():
        return False
    value = trace.value[trace.valid]
    if not len(value) or np.nanmin(value) != np.nanmax(value):
        return False
    if "battery_soc" in recording.faults.frozen:
        return True
    banded = np.isfinite(estimate.soc_low) & np.isfinite(estimate.soc_high)
    if not banded.any():
        return False
    surely_high, surely_low = estimate.soc_low[banded].max(), estimate.soc_high[banded].min()
    return bool(surely_high - surely_low > _MOVED_PERCENT)


def _after_jump(trace: Trace) -> BoolArray:
    doubted = np.zeros(len(trace), dtype=np.bool_)
    sleeps = np.flatnonzero(np.diff(trace.time_ns) > _ASLEEP_NS)
    bounds = np.append(sleeps, len(trace) - 1)
    for here, sleep in enumerate(sleeps):
        before, after = _last_valid(trace, int(sleep)), _first_valid(trace, int(sleep) + 1)
        days = float(trace.time_ns[sleep + 1] - trace.time_ns[sleep]) / 86400e9
        if abs(after - before) > _JUMP_PERCENT + _LOSS_PERCENT_PER_DAY * days:
            doubted[sleep + 1 : bounds[here + 1] + 1] = True
    return doubted


def _last_valid(trace: Trace, index: int) -> float:
    known: Int64Array = np.flatnonzero(trace.valid[: index + 1])
    return float(trace.value[known[-1]]) if len(known) else np.nan


def _first_valid(trace: Trace, index: int) -> float:
    known: Int64Array = np.flatnonzero(trace.valid[index : index + 64])
    return float(trace.value[index + known[0]]) if len(known) else np.nan
