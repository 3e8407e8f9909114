"""What a battery sensor would have sent of a truth: errors, noise and steps put on, as a recording."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.validation.truth import ASLEEP, AWAKE, CRANKING, RUNNING, Truth
from decoder.frames import FloatArray, Int64Array
from decoder.recording import Recording, Trace

START_NS = 1_760_000_000_000_000_000  # some day in October 2025
RIPPLE_A = 1.5  # of the board's load within a second while awake


@dataclass(frozen=True, slots=True)
class SensorErrors:
    """gain: 0.01 reads one per cent too much. offset_a [A], voltage_v [V], temperature_c [K]: added.

    start_points: what the sensor's own charge is wrong by at the beginning; None for a sensor without one.
    """

    gain: float = 0.0
    offset_a: float = 0.0
    voltage_v: float = 0.0
    temperature_c: float = 0.0
    start_points: float | None = None
    seed: int = 0


def every_sign() -> tuple[SensorErrors, ...]:
    """The goals' errors in full size, all eight combinations of sign: 1 %, 50 mA, 15 mV; 1 K; charge 20 points off."""
    return tuple(
        SensorErrors(
            gain=0.01 * (1 if number & 1 else -1),
            offset_a=0.05 * (1 if number & 2 else -1),
            voltage_v=0.015 * (1 if number & 4 else -1),
            temperature_c=1.0 if number in {0, 3, 5, 6} else -1.0,
            start_points=20.0 if number % 3 else -20.0,
            seed=number,
        )
        for number in range(8)
    )


def observe(truth: Truth, errors: SensorErrors, until_s: float | None = None) -> Recording:
    """The recording of a truth: 10 Hz awake, 100 Hz in cranks, as coarse as the truth while asleep.

    Current samples are means over their intervals, so that nothing is lost between them. Quantised to 5 mV, 10 mA and
    half a kelvin; noise of 4 mV, 40 mA while awake (a tenth of it asleep). until_s: cut there.
    """
    rng = np.random.default_rng(errors.seed)
    time_s, current, voltage, step = _ten_a_second(truth, rng)
    if until_s is not None:
        keep = time_s <= until_s
        time_s, current, voltage, step = time_s[keep], current[keep], voltage[keep], step[keep]
    awake = truth.phase[step] != ASLEEP
    noise = np.where(awake, 1.0, 0.1)
    seen_a = current * (1.0 + errors.gain) + errors.offset_a + 0.04 * noise * rng.standard_normal(len(time_s))
    seen_v = voltage + errors.voltage_v + 0.004 * noise * rng.standard_normal(len(time_s))
    seen_c = truth.temperature[step] + errors.temperature_c
    time_ns = START_NS + np.round(time_s * 1e9).astype(np.int64)
    speed = np.select([truth.phase[step] == RUNNING, truth.phase[step] == CRANKING], [1400.0, 180.0], 0.0)
    bus = np.flatnonzero(awake)
    slow = np.unique(np.searchsorted(time_s, np.arange(time_s[0], time_s[-1], 1.0)))
    traces = [
        _trace("battery_voltage", "V", time_ns, _stepped(seen_v, 0.005)),
        _trace("battery_current", "A", time_ns, _stepped(seen_a, 0.01)),
        _trace("battery_temperature", "degC", time_ns[slow], _stepped(seen_c[slow], 0.5)),
        _trace("engine_speed", "rpm", time_ns[bus], speed[bus]),
    ]
    if errors.start_points is not None:
        moved = np.cumsum(seen_a * np.diff(time_s, prepend=time_s[0])) / 36.0 / truth.rated
        own = np.clip(truth.soc[0] + errors.start_points + moved, 0.0, 100.0)
        traces.append(_trace("battery_soc", "%", time_ns[slow], _stepped(own[slow], 0.5)))
    frames = sum(len(trace) for trace in traces)
    return Recording(
        start_ns=int(time_ns[0]),
        end_ns=int(time_ns[-1]),
        absolute_time=True,
        frames=frames,
        frames_decoded=frames,
        traces={trace.role: trace for trace in traces},
    )


def _ten_a_second(truth: Truth, rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray, Int64Array]:
    """Time, current, voltage of each sample, and the truth's step it lies in.

    A second's ten samples keep its mean; the load's ripple within it moves the voltage by the battery's resistance.
    """
    length = np.diff(truth.time_s, prepend=2.0 * truth.time_s[0] - truth.time_s[1])
    parts = np.where((truth.phase != ASLEEP) & (length > 0.15), np.round(length * 10.0), 1.0).astype(np.int64)
    step = np.repeat(np.arange(len(parts)), parts)
    first = np.cumsum(parts) - parts
    share = (np.arange(len(step)) - first[step] + 1.0) / parts[step]
    time_s = truth.time_s[step] - length[step] * (1.0 - share)
    before = np.concatenate((truth.voltage[:1], truth.voltage[:-1]))
    voltage = before[step] + share * (truth.voltage - before)[step]
    size = np.where(truth.phase == ASLEEP, 0.0, np.where(truth.phase == AWAKE, 0.3, RIPPLE_A)) * (parts > 1)
    ripple = size[step] * rng.standard_normal(len(step))
    ripple -= (np.add.reduceat(ripple, first) / parts)[step]
    return time_s, truth.current[step] + ripple, voltage + 1e-3 * truth.resistance_mohm * ripple, step


def _stepped(value: FloatArray, step: float) -> FloatArray:
    return np.asarray(np.round(value / step) * step)


def _trace(role: str, unit: str, time_ns: Int64Array, value: FloatArray) -> Trace:
    return Trace(role, f"sensor/{role}", unit, time_ns, value, np.ones(len(value), dtype=bool))
