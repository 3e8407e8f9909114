"""The estimated traces as a table, for `--traces`."""

from __future__ import annotations

from typing import Any

import numpy as np

from decoder.frames import FloatArray, Int64Array
from idle_stop.analysis import Analysis

_ROLES = {"voltage": "battery_voltage", "current": "battery_current", "temperature": "battery_temperature"}
_UNITS = {"soc": "%", "soc_low": "%", "soc_high": "%", "voltage": "V", "current": "A", "temperature": "degC"}


def traces_table(analysis: Analysis) -> Any:
    """A pyarrow Table, one row for each row of the estimate (at most one a second), rising in time.

    Columns: time (timestamp[ms, UTC], or float64 seconds from the first frame where the recording knows no date),
    soc, soc_low, soc_high [%], voltage [V], current [A], temperature [degC]; null where unknown. Voltage and
    temperature are the sample that holds at that instant; current is the mean since the row before (at most 10 s).
    Each field's metadata names its unit.
    """
    import pyarrow as pa

    estimate, recording = analysis.estimate, analysis.recording
    at_ns = estimate.time_ns
    columns = {"soc": estimate.soc, "soc_low": estimate.soc_low, "soc_high": estimate.soc_high}
    for name, role in _ROLES.items():
        trace = recording.traces.get(role)
        if trace is None:
            columns[name] = np.full(len(at_ns), np.nan)
        elif name == "current":
            columns[name] = _mean_since(at_ns, trace.time_ns, trace.value, trace.held(at_ns))
        else:
            columns[name] = trace.held(at_ns)
    if recording.absolute_time:
        time = pa.array(at_ns // 1_000_000, type=pa.timestamp("ms", tz="UTC"))
    else:
        time = pa.array((at_ns - recording.start_ns) / 1e9)
    fields = [pa.field("time", time.type)]
    fields += [pa.field(name, pa.float64(), metadata={"unit": unit}) for name, unit in _UNITS.items()]
    arrays = [time, *(pa.array(columns[name], from_pandas=True) for name in _UNITS)]
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields))


def _mean_since(at_ns: Int64Array, time_ns: Int64Array, value: FloatArray, held: FloatArray) -> FloatArray:
    """Mean of the valid samples after the row before and up to each row; the held value where there is none.

    Rows more than 10 s after the one before take the held value: a mean over a gap would tell nothing.
    """
    if not len(at_ns) or not len(time_ns):
        return held
    known = np.isfinite(value)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, value, 0.0))))
    count = np.concatenate(([0], np.cumsum(known)))
    end = np.searchsorted(time_ns, at_ns, side="right")
    start = np.concatenate((end[:1], end[:-1]))
    samples = count[end] - count[start]
    step_ns = np.diff(at_ns, prepend=at_ns[:1])
    usable = (samples > 0) & (step_ns <= 10_000_000_000)
    return np.where(usable, (total[end] - total[start]) / np.maximum(samples, 1), held)
