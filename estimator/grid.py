"""One row a second: voltage, current and temperature, and the charge moved, integrated exactly from every sample."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from decoder.recording import Recording, Trace

SECOND_NS = 1_000_000_000
BLOCK = 1 << 20
SLOW_SAMPLING_S = 120.0
ASSUMED_TEMPERATURE_C = 20.0


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """The battery's signals on whole seconds; seconds without a sample have no row.

    time_ns: (n,) start of each second. voltage: (n,) mean over the second [V], NaN without a sample.
    current: (n,) mean since the row before as far as there were samples [A], NaN without one.
    temperature: (n,) [degC], between samples by straight line; NaN throughout if there are none.
    charge_ah: (n,) charge moved from the first sample to the end of the second [Ah], gaps left out.
    charged_ah: (n,) the same of the charging part only. covered_s: (n,) seconds integrated up to then.
    """

    time_ns: Int64Array
    voltage: FloatArray
    current: FloatArray
    temperature: FloatArray
    charge_ah: FloatArray
    charged_ah: FloatArray
    covered_s: FloatArray

    def __len__(self) -> int:
        return len(self.time_ns)

    @property
    def end_s(self) -> FloatArray:
        """(n,) end of each row, seconds from the start of the first."""
        return (self.time_ns - self.time_ns[0]) / 1e9 + 1.0 if len(self) else np.zeros(0)

    @property
    def uncovered_s(self) -> FloatArray:
        """(n,) seconds since the row before over which nothing could be integrated."""
        step = np.diff(self.end_s, prepend=self.end_s[:1] - 1.0)
        missing = np.maximum(step - np.diff(self.covered_s, prepend=0.0), 0.0)
        missing[missing < 1.0] = 0.0
        return missing

    def known_temperature(self) -> FloatArray:
        """(n,) temperature, or a mild day's where there is none [degC]."""
        return np.where(np.isnan(self.temperature), ASSUMED_TEMPERATURE_C, self.temperature)

    def rows(self, start_ns: int, end_ns: int) -> slice:
        """The rows whose second starts in [start, end)."""
        first, last = np.searchsorted(self.time_ns, [start_ns, end_ns])
        return slice(int(first), int(last))


def build_grid(recording: Recording) -> Grid:
    """Put the battery's signals of a recording on one grid. Cost: linear in the samples.

    Current is integrated by the trapezoidal rule between neighbouring samples; not across gaps (longer than ten of the
    signal's periods), not across the recording's clock steps, not across invalid samples' silence.
    """
    voltage = valid_samples(recording.traces.get("battery_voltage"))
    current = valid_samples(recording.traces.get("battery_current"))
    seconds = np.sort(np.concatenate((_seconds(voltage[0]), _seconds(current[0]))), kind="stable")  # two runs: a merge
    seconds = seconds[np.diff(seconds, prepend=-1) != 0]
    steps = np.asarray(recording.faults.clock_steps_ns, dtype=np.int64)
    charge, charged, covered = integrate(*current, steps, (seconds + 1) * SECOND_NS)
    moved_s = np.diff(covered, prepend=0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(moved_s > 0.0, np.diff(charge, prepend=0.0) * 3600.0 / moved_s, np.nan)
    sampled = _mean_by_second(*current, seconds) if np.isnan(mean).any() else mean
    temperature = valid_samples(recording.traces.get("battery_temperature"))
    return Grid(
        time_ns=seconds * SECOND_NS,
        voltage=_mean_by_second(*voltage, seconds),
        current=np.where(np.isnan(mean), sampled, mean),
        temperature=between(*temperature, seconds * SECOND_NS),
        charge_ah=charge,
        charged_ah=charged,
        covered_s=covered,
    )


def runs_of(flag: BoolArray) -> list[tuple[int, int]]:
    """The first row of each unbroken run of true rows, and the row after its last."""
    edges = np.flatnonzero(np.diff(flag.astype(np.int8), prepend=0, append=0)).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def valid_samples(trace: Trace | None) -> tuple[Int64Array, FloatArray]:
    """Times and values of a trace's valid, finite samples."""
    if trace is None or not len(trace):
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    good = trace.valid & np.isfinite(trace.value)
    if good.all():
        return trace.time_ns, trace.value
    return trace.time_ns[good], trace.value[good]


def integrate(
    time_ns: Int64Array, current: FloatArray, steps_ns: Int64Array, at_ns: Int64Array
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Charge moved, its charging part, and seconds covered, from the first sample to each instant.

    time_ns, current: (n,) samples, rising [ns, A]. steps_ns: clock steps. at_ns: (m,) rising [ns].
    Returns three (m,) arrays [Ah, Ah, s]. Worked in blocks, so that memory does not grow with the samples.
    """
    out = np.zeros((3, len(at_ns)))
    if len(time_ns) < 2 or not len(at_ns):
        return out[0], out[1], out[2]
    limit_s = _gap_limit_s(time_ns)
    before = np.zeros(3)
    done = int(np.searchsorted(at_ns, time_ns[0]))
    for first in range(0, len(time_ns) - 1, BLOCK):
        times, values = time_ns[first : first + BLOCK + 1], current[first : first + BLOCK + 1]
        seconds = np.diff(times) / 1e9
        whole = seconds * _is_joined(times, seconds, steps_ns, limit_s)
        mean = 0.5 * (values[1:] + values[:-1])
        running = np.zeros((3, len(times)))
        np.cumsum(mean * whole / 3600.0, out=running[0, 1:])
        np.cumsum(np.maximum(mean, 0.0) * whole / 3600.0, out=running[1, 1:])
        np.cumsum(whole, out=running[2, 1:])
        running += before[:, None]
        last = int(np.searchsorted(at_ns, times[-1], side="right"))
        inside, knots = (at_ns[done:last] - times[0]) / 1e9, (times - times[0]) / 1e9
        for row, total in enumerate(running):
            out[row, done:last] = np.interp(inside, knots, total)
        before, done = running[:, -1], last
    out[:, done:] = before[:, None]
    return out[0], out[1], out[2]


def _gap_limit_s(time_ns: Int64Array) -> float:
    stride = max(len(time_ns) // 1_000_000, 1)  # a million neighbours are enough for a median
    return max(10.0 * float(np.median(time_ns[1::stride] - time_ns[:-1:stride])) / 1e9, 1.0)


def _is_joined(times: Int64Array, seconds: FloatArray, steps_ns: Int64Array, limit_s: float) -> BoolArray:
    """Which neighbours may be integrated across.

    A sensor that sends rarely while the vehicle sleeps has no gaps there: long intervals up to two minutes count as
    sampling where a neighbouring interval is about as long.
    """
    joined = seconds <= limit_s
    long = np.flatnonzero(~joined & (seconds <= SLOW_SAMPLING_S))
    if len(long):
        padded = np.pad(seconds, 1, constant_values=np.inf)
        here = seconds[long]
        ratio_before, ratio_after = padded[long] / here, padded[long + 2] / here
        joined[long] = (np.abs(ratio_before - 1.0) < 0.3) | (np.abs(ratio_after - 1.0) < 0.3)
    for step in steps_ns[(steps_ns >= times[0]) & (steps_ns <= times[-1])]:
        at = int(np.searchsorted(times, step)) - 1
        joined[max(at, 0) : at + 2] = False
    return joined


def _seconds(time_ns: Int64Array) -> Int64Array:
    """The whole seconds in which there is a sample, each once."""
    if not len(time_ns):
        return np.zeros(0, dtype=np.int64)
    second = time_ns // SECOND_NS
    return second[np.concatenate(([True], second[1:] != second[:-1]))]


def _mean_by_second(time_ns: Int64Array, value: FloatArray, seconds: Int64Array) -> FloatArray:
    """(m,) mean of the samples in each second; NaN where there is none."""
    mean = np.full(len(seconds), np.nan)
    own = _seconds(time_ns)
    if len(own):
        starts = np.searchsorted(time_ns, own * SECOND_NS)
        count = np.diff(starts, append=len(time_ns))
        mean[np.searchsorted(seconds, own)] = np.add.reduceat(value, starts) / count
    return mean


def between(time_ns: Int64Array, value: FloatArray, at_ns: Int64Array) -> FloatArray:
    """(m,) values at other instants, by straight lines between samples, level beyond the ends; NaN without a sample."""
    if not len(time_ns):
        return np.full(len(at_ns), np.nan)
    start = time_ns[0]
    return np.asarray(np.interp((at_ns - start) / 1e9, (time_ns - start) / 1e9, value))
