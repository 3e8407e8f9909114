"""Resistance from steps of the load while driving or standing: the ohmic part, where cranks were not resolved."""

from __future__ import annotations

import math

import numpy as np

from decoder.recording import Recording
from estimator.estimate import Figure, unknown_figure
from estimator.grid import valid_samples
from signal_defs.text import Text

STEP_A = 15.0
LONGEST_S = 0.25  # apart: polarisation grows within seconds
NEEDED = 8
BLOCK = 1 << 20


def load_step_resistance(recording: Recording) -> Figure:
    """Median of dV/dI over neighbouring samples at most 0.25 s apart whose current differs by over 15 A [mOhm].

    Voltage and current must come at the same instants (one frame), else their skew would be taken for resistance. This
    reads the ohmic part only: a crank's plateau shows 1.2 to 2 times as much (from memory). Unknown with fewer than
    eight such steps.
    """
    amps_ns, amps = valid_samples(recording.traces.get("battery_current"))
    volts_ns, volts = valid_samples(recording.traces.get("battery_voltage"))
    ratios = []
    for first in range(0, len(amps) - 1, BLOCK):
        part = slice(first, first + BLOCK + 1)
        step = np.diff(amps[part])
        at = first + np.flatnonzero((np.abs(step) > STEP_A) & (np.diff(amps_ns[part]) <= LONGEST_S * 1e9))
        left, right = np.searchsorted(volts_ns, amps_ns[at]), np.searchsorted(volts_ns, amps_ns[at + 1])
        inside = right < len(volts_ns)
        at, left, right = at[inside], left[inside], right[inside]
        same = (volts_ns[left] == amps_ns[at]) & (volts_ns[right] == amps_ns[at + 1])
        at, left, right = at[same], left[same], right[same]
        ratios.append((volts[right] - volts[left]) / (amps[at + 1] - amps[at]))
    found = np.concatenate(ratios) if ratios else np.zeros(0)
    if len(found) < NEEDED:
        return unknown_figure(
            Text(
                "Only {n} steps of the load with voltage and current of the same instant; {need} are needed.",
                {"n": len(found), "need": NEEDED},
            )
        )
    middle = float(np.median(found))
    spread = 1.57 * float(np.subtract(*np.percentile(found, [75, 25]))) / math.sqrt(len(found))
    half = 1.2 * spread + 0.03 * abs(middle)
    return Figure(1e3 * middle, 1e3 * (middle - half), 1e3 * (middle + half))
