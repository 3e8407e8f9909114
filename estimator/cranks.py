"""Cranks: where the starter turned the engine, and what voltage and current did there, from every sample."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from decoder.frames import BoolArray, FloatArray, Int64Array
from decoder.recording import Recording
from estimator.grid import SECOND_NS, runs_of, valid_samples

CRANK_A = 80.0  # drawn; warm four-cylinder petrol engines draw 100-200 A on average (starter tables). Common practice
DIP_V = 0.3  # 80 A over the 4 mOhm of a fresh battery; common practice
LONGEST_S = 20.0  # longer is no crank; common practice
RESOLVED_S = 0.0505  # 20 samples a second, and a little jitter
RUNNING_RPM = 500.0  # engine "running" at 500-800 rpm, by published descriptions of starting systems

INRUSH_S = 0.15  # from then on the plateau: polarisation grows fast before, so an earlier start reads lower. Ours

PLATEAU = "plateau: (V before - V) / (I - I before) from 0.15 s on, same instants, least squares"
EARLY = "early plateau: as plateau, but of a crank too short for it, from the largest current on"
WHOLE = "whole crank: as plateau, but with too few samples after the inrush"
NOT_MEASURED = "not measured"


@dataclass(frozen=True, slots=True)
class Crank:
    """One crank as measured. Times [ns]; voltages [V]; currents [A], drawn is negative.

    resistance, resistance_sd: [Ohm] at the temperature of the crank, NaN if not measured; method says how.
    plateau_a: median current after the inrush. inverted: the current read as charging (sign of the sensor wrong).
    """

    start_ns: int
    end_ns: int
    before_v: float
    before_a: float
    min_v: float
    peak_a: float
    plateau_a: float
    resistance: float
    resistance_sd: float
    method: str
    resolved: bool
    crank_s: float
    to_idle_s: float
    board_min_v: float
    inverted: bool = False


def find_cranks(recording: Recording) -> tuple[Crank, ...]:
    """Every crank of a recording, in order.

    From the current alone where it shows the crank (over 80 A drawn while the voltage falls); a starter flag or an
    engine that comes to life adds those that the current's sampling missed. Nothing found: an empty tuple.
    """
    voltage = valid_samples(recording.traces.get("battery_voltage"))
    current = valid_samples(recording.traces.get("battery_current"))
    spans = [span for span in _current_spans(*current) if _dips(voltage, span)]
    runs = _engine_runs(recording, np.array([span[0] for span in spans], dtype=np.int64) - SECOND_NS)
    seen = [span for span, already in zip(spans, runs, strict=True) if not already]
    told = [span for span in _told_spans(recording) if not any(_touch(span, other) for other in seen)]
    board = valid_samples(recording.traces.get("board_voltage"))
    return tuple(_measure(recording, voltage, current, board, span) for span in sorted(seen + told))


def _period_s(samples: tuple[Int64Array, FloatArray], span: tuple[int, int]) -> float:
    """Typical time between samples around a crank [s]; infinite with fewer than two there."""
    first, last = np.searchsorted(samples[0], [span[0] - SECOND_NS // 5, span[1] + SECOND_NS // 5])
    if last - first < 2:
        return math.inf
    return float(np.median(np.diff(samples[0][first:last]))) / 1e9


def _current_spans(time_ns: Int64Array, current: FloatArray) -> list[tuple[int, int]]:
    """Spans with more than CRANK_A in either direction; breaks up to 0.7 s (compression strokes) are bridged."""
    hits = np.flatnonzero(np.abs(current) > CRANK_A)
    if not len(hits):
        return []
    times = time_ns[hits]
    breaks = np.flatnonzero(np.diff(times) > 0.7 * SECOND_NS)
    first, last = times[np.append(0, breaks + 1)], times[np.append(breaks, len(times) - 1)]
    return [(int(a), int(b)) for a, b in zip(first, last, strict=True) if b - a < LONGEST_S * SECOND_NS]


def _dips(voltage: tuple[Int64Array, FloatArray], span: tuple[int, int]) -> bool:
    """Does the voltage fall in the span, against just before, below what a generator would hold?"""
    before = _between(voltage, span[0] - 3 * SECOND_NS, span[0] - 1)
    inside = _between(voltage, span[0], span[1] + SECOND_NS // 5)
    if not len(inside):
        return False
    level = float(np.median(before)) if len(before) else 12.0
    return level - float(inside.min()) > DIP_V and float(inside.min()) < 12.0


def _engine_runs(recording: Recording, at_ns: Int64Array) -> BoolArray:
    """(m,) does the engine turn by itself at these instants? False where nothing tells."""
    runs = np.zeros(len(at_ns), dtype=bool)
    for role, limit in (("engine_speed", RUNNING_RPM), ("engine_running", 0.5)):
        trace = recording.traces.get(role)
        if trace is not None and len(trace):
            with np.errstate(invalid="ignore"):
                runs |= trace.held(at_ns) >= limit
    return runs


def _told_spans(recording: Recording) -> list[tuple[int, int]]:
    """Cranks that the starter flag or the engine speed tells."""
    starter = recording.traces.get("starter_active")
    if starter is not None and len(starter):
        on = (starter.value > 0.5) & starter.valid
        last = len(starter) - 1
        spans = [(int(starter.time_ns[a]), int(starter.time_ns[min(b, last)])) for a, b in runs_of(on)]
        return [(a, b) for a, b in spans if b - a < LONGEST_S * SECOND_NS]
    speed = recording.traces.get("engine_speed")
    if speed is None or not len(speed):
        return []
    time_ns, value = valid_samples(speed)
    runs = value >= RUNNING_RPM
    stands = np.maximum.accumulate(np.where(value < 50.0, np.arange(len(value)), -1))
    began = np.flatnonzero(runs[1:] & ~runs[:-1]) + 1
    began = began[stands[began] >= 0]
    starts = time_ns[stands[began]]
    near = time_ns[began] - starts < 5 * SECOND_NS
    return [(int(a), int(b)) for a, b in zip(starts[near], time_ns[began][near], strict=True)]


def _touch(one: tuple[int, int], other: tuple[int, int]) -> bool:
    return one[0] - SECOND_NS <= other[1] and other[0] <= one[1] + SECOND_NS


def _between(samples: tuple[Int64Array, FloatArray], start_ns: int, end_ns: int) -> FloatArray:
    """The values in [start, end]."""
    first, last = np.searchsorted(samples[0], [start_ns, end_ns + 1])
    return samples[1][first:last]


def _before(samples: tuple[Int64Array, FloatArray], at_ns: int) -> float:
    """Median over the second and a half before, or the last sample within five seconds; NaN without one."""
    near = _between(samples, at_ns - 3 * SECOND_NS // 2, at_ns - SECOND_NS // 20)
    if len(near):
        return float(np.median(near))
    far = _between(samples, at_ns - 5 * SECOND_NS, at_ns - 1)
    return float(far[-1]) if len(far) else math.nan


def _measure(
    recording: Recording,
    voltage: tuple[Int64Array, FloatArray],
    current: tuple[Int64Array, FloatArray],
    board: tuple[Int64Array, FloatArray],
    span: tuple[int, int],
) -> Crank:
    start_ns, end_ns = span
    period_s = max(_period_s(voltage, span), _period_s(current, span))
    before_v, before_a = _before(voltage, start_ns), _before(current, start_ns)
    volts = _between(voltage, start_ns - SECOND_NS // 20, end_ns + SECOND_NS // 20)
    amps = _between(current, start_ns, end_ns)
    inverted = bool(len(amps)) and float(amps.max()) > CRANK_A
    since_s, pair_v, pair_a = _pairs(voltage, current, span)
    sign = -1.0 if inverted else 1.0
    resistance, spread, plateau_a, method, count = plateau_resistance(
        pair_v, sign * pair_a, before_v, sign * before_a, since_s
    )
    running_ns = _running_at(recording, start_ns)
    board_v = _between(board, start_ns, end_ns)
    return Crank(
        start_ns=start_ns,
        end_ns=end_ns,
        before_v=before_v,
        before_a=before_a,
        min_v=float(volts.min()) if len(volts) else math.nan,
        peak_a=float(amps.min()) if len(amps) else math.nan,
        plateau_a=plateau_a,
        resistance=resistance,
        resistance_sd=spread,
        method=method,
        resolved=period_s <= RESOLVED_S and method != WHOLE and count >= 3,
        crank_s=_crank_s(recording, span, period_s),
        to_idle_s=(running_ns - start_ns) / 1e9 if running_ns is not None else math.nan,
        board_min_v=float(board_v.min()) if len(board_v) else math.nan,
        inverted=inverted,
    )


def _crank_s(recording: Recording, span: tuple[int, int], period_s: float) -> float:
    """Starter on to starter off [s]: the starter's flag, else the current; NaN if sampled more slowly than 10 Hz."""
    if recording.traces.get("starter_active") is None and not period_s < 0.11:
        return math.nan
    return (span[1] - span[0]) / 1e9


def _running_at(recording: Recording, start_ns: int) -> int | None:
    """The first instant within ten seconds at which the engine runs by itself."""
    for role, limit in (("engine_running", 0.5), ("engine_speed", RUNNING_RPM)):
        trace = recording.traces.get(role)
        if trace is None or not len(trace):
            continue
        first, last = np.searchsorted(trace.time_ns, [start_ns, start_ns + 10 * SECOND_NS])
        with np.errstate(invalid="ignore"):
            hits = np.flatnonzero((trace.value[first:last] >= limit) & trace.valid[first:last])
        if len(hits):
            return int(trace.time_ns[first + hits[0]])
    return None


def _pairs(
    voltage: tuple[Int64Array, FloatArray], current: tuple[Int64Array, FloatArray], span: tuple[int, int]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Seconds since the start, voltage, current of the same instants; the voltage is at most 30 ms from a sample."""
    first, last = np.searchsorted(current[0], [span[0], span[1] + 1])
    times = current[0][first:last]
    if not len(times) or len(voltage[0]) < 2:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    near = np.clip(np.searchsorted(voltage[0], times), 1, len(voltage[0]) - 1)
    skew = np.minimum(np.abs(voltage[0][near] - times), np.abs(voltage[0][near - 1] - times))
    low, high = max(int(near[0]) - 1, 0), int(near[-1]) + 1
    part = voltage[0][low:high]
    volts = np.interp((times - times[0]) / 1e9, (part - times[0]) / 1e9, voltage[1][low:high])
    good = skew <= 30_000_000
    return (times[good] - span[0]) / 1e9, volts[good], current[1][first:last][good]


def plateau_resistance(
    volts: FloatArray, amps: FloatArray, before_v: float, before_a: float, since_s: FloatArray
) -> tuple[float, float, float, str, int]:
    """Resistance [Ohm], its standard deviation, plateau current [A], method, samples used.

    volts, amps: (n,) of the same instants. since_s: (n,) since the crank's start.
    R = (V before - V) / (I - I before) by least squares over the plateau: from 0.15 s on, or after the largest current
    if the crank is too short for that; within 0.6 to 1.6 of the median current there. One per cent stands for the
    sensor's gain, 5 mV for its voltage; an early plateau may read a twelfth low.
    """
    nothing = (math.nan, math.nan, math.nan, NOT_MEASURED, 0)
    if len(amps) == 0 or not (math.isfinite(before_v) and math.isfinite(before_a)):
        return nothing
    peak = int(np.argmin(amps))
    late = np.arange(len(amps)) > peak
    method, chosen = EARLY, late & (amps < -0.5 * CRANK_A)
    if (chosen & (since_s >= INRUSH_S)).sum() >= 3:
        method, chosen = PLATEAU, chosen & (since_s >= INRUSH_S)
    if chosen.any():
        middle = float(np.median(amps[chosen]))
        chosen &= (amps < 0.6 * middle) & (amps > 1.6 * middle)
    if chosen.sum() < 3:
        method, chosen = WHOLE, amps < -CRANK_A
    if not chosen.any():
        return nothing
    step_a, step_v = amps[chosen] - before_a, volts[chosen] - before_v
    if not step_a @ step_a > 0.0:  # the same current before as in the crank: it hangs
        return nothing
    resistance = float(step_v @ step_a / (step_a @ step_a))
    count = int(chosen.sum())
    scatter = float(np.std(step_v - resistance * step_a)) / math.sqrt(count) if count > 1 else 0.15 * abs(step_v[0])
    level = float(np.sqrt(np.mean(step_a**2)))
    spread = math.hypot(math.hypot(scatter, 0.005) / level, 0.01 * resistance)
    if method != PLATEAU:
        spread = math.hypot(spread, (0.12 if method == WHOLE else 0.05) * resistance)
    if not resistance > 0:
        return nothing
    return resistance, spread, float(np.median(amps[chosen])), method, count
