"""From the rows of a simulation straight to a recording: what a logger would have seen, without frames and files."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from decoder.faults import gaps_of, is_frozen, response_error_edges
from decoder.recording import Faults, Recording, Trace
from idlewhy.demo.emit import message_times, with_noise
from idlewhy.demo.samples import GEARS, Samples
from signal_defs.layout import MessageLayout
from signal_defs.platform import Binding, Bus, Platform


def record_samples(
    platform: Platform, samples: Samples, rng: np.random.Generator, hidden: frozenset[str] = frozenset()
) -> Recording:
    """The recording that decoding `emit`'s frames gives, save for the rounding of its last bits.

    hidden: names of messages that the logger does not see. Values are rounded to the signal's own step.
    """
    traces: dict[str, Trace] = {}
    for bus in platform.buses:
        for message in bus.messages:
            bound = [b for b in platform.bindings.values() if (b.bus, b.message) == (bus.name, message.name)]
            told = [b for b in bound if b.role.name in samples.columns]
            if told and message.name not in hidden:
                traces |= _message(bus, message, told, samples, rng)
    return recording_of(traces.values())


def recording_of(traces: Iterable[Trace], *, rejected: dict[str, int] | None = None) -> Recording:
    """Traces as a recording from the first to the last sample, with the faults that their samples show.

    rejected: frames that were seen but not decoded, by kind.
    """
    kept = {trace.role: trace for trace in traces if len(trace)}
    faults = Faults(
        rejected=rejected or {},
        gaps=tuple(sorted((gap for trace in kept.values() for gap in gaps_of(trace)), key=lambda gap: gap.start_ns)),
        frozen=tuple(role for role, trace in kept.items() if is_frozen(trace)),
        response_error_edges=response_error_edges(kept),
    )
    frames = sum({id(trace.time_ns): len(trace) for trace in kept.values()}.values())
    return Recording(
        start_ns=min(int(trace.time_ns[0]) for trace in kept.values()),
        end_ns=max(int(trace.time_ns[-1]) for trace in kept.values()),
        absolute_time=True,
        frames=frames,
        frames_decoded=frames,
        traces=kept,
        faults=faults,
    )


def _message(
    bus: Bus, message: MessageLayout, told: list[Binding], samples: Samples, rng: np.random.Generator
) -> dict[str, Trace]:
    times = message_times(bus, message, told, samples, rng)
    row = np.maximum(np.searchsorted(samples.time_ns, times, side="right") - 1, 0)
    traces = {}
    for binding in told:
        role = binding.role
        value = with_noise(role.name, samples.columns[role.name][row], rng)
        if role.kind == "number":
            step = message.signal(binding.signal).scale * binding.scale
            value = np.round(value / step) * step if step else value
        labels = dict(enumerate(GEARS)) if role.kind == "state" else {}
        valid = np.ones(len(times), np.bool_)
        traces[role.name] = Trace(role.name, binding.source, role.unit, times, value, valid, labels)
    return traces
