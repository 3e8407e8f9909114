"""From the rows of a simulation to the frames that a logger on the vehicle's buses would have seen."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from decoder.frames import Flag, FloatArray, FrameBatch, Int64Array
from idlewhy.demo.lin_bytes import enhanced_checksum
from idlewhy.demo.pack import pack
from idlewhy.demo.samples import GEARS, Mode, Samples
from signal_defs.layout import MessageLayout, SignalLayout
from signal_defs.platform import Binding, Bus, Platform

_CAN_PERIOD_S = 0.1  # the logger keeps no CAN message more often than this,
_START_PERIOD_S = 0.05  # but the one that tells of starter and clutch
_WAKE_MESSAGE = "ignition_on"  # the message a woken network sends is the one that carries this role
_FAST_LIN_S = {Mode.ASLEEP: 0.5, Mode.WOKEN: 0.5, Mode.AWAKE: 0.1, Mode.RUNNING: 0.05, Mode.FAST: 0.02}
_SLOW_LIN_S = {Mode.ASLEEP: 1.0, Mode.WOKEN: 1.0, Mode.AWAKE: 0.5, Mode.RUNNING: 0.2, Mode.FAST: 0.1}
_UNTOLD = ("idle_stop_inhibit", "idle_stop_reason")  # this fleet's vehicles do not tell why they refuse


def carried_roles(platform: Platform, hidden: frozenset[str]) -> frozenset[str]:
    """Roles that a log of this platform tells when the messages in `hidden` are not logged."""
    return frozenset(role for role, binding in platform.bindings.items() if binding.message not in hidden)


def emit(
    platform: Platform, samples: Samples, rng: np.random.Generator, hidden: frozenset[str], channels: tuple[str, ...]
) -> FrameBatch:
    """Every frame in order of time.

    hidden: names of messages that are left out. channels: what the logger calls each bus, in the platform's order.
    Noise of the battery sensor: 3 mV, and 10 mA plus 0.2 % of the current; common practice for shunt sensors.
    """
    parts: list[FrameBatch] = []
    for index, bus in enumerate(platform.buses):
        for message in bus.messages:
            bound = [b for b in platform.bindings.values() if (b.bus, b.message) == (bus.name, message.name)]
            if bound and message.name not in hidden:
                times = message_times(bus, message, bound, samples, rng)
                parts.append(_frames(bus, message, bound, samples, times, rng, index, channels))
    order = np.argsort(np.concatenate([part.time_ns for part in parts]), kind="stable")
    names = ("time_ns", "channel", "identifier", "flags", "length", "payload", "checksum")
    columns = {name: np.concatenate([getattr(part, name) for part in parts])[order] for name in names}
    return FrameBatch(channels=channels, **columns)


def message_times(
    bus: Bus, message: MessageLayout, bound: list[Binding], samples: Samples, rng: np.random.Generator
) -> Int64Array:
    """When a message is sent [ns], as busy as the buses are; bound: what it carries."""
    return _send_times(samples, _periods(bus, message, bound), rng)


def _periods(bus: Bus, message: MessageLayout, bound: list[Binding]) -> Mapping[Mode, float]:
    roles = {binding.role.name for binding in bound}
    if bus.kind == "lin":
        return _FAST_LIN_S if "battery_current" in roles else _SLOW_LIN_S
    period = max(message.cycle_s or 0.1, _START_PERIOD_S if "starter_active" in roles else _CAN_PERIOD_S)
    awake: dict[Mode, float] = dict.fromkeys((Mode.AWAKE, Mode.RUNNING, Mode.FAST), period)
    return awake | {Mode.WOKEN: 0.5} if _WAKE_MESSAGE in roles else awake


def _send_times(samples: Samples, periods: Mapping[Mode, float], rng: np.random.Generator) -> Int64Array:
    """Times [ns], whole microseconds: a fixed raster in each mode, each frame up to 5 % of a period late."""
    edges = np.flatnonzero(np.diff(samples.mode)) + 1
    bounds = np.concatenate([[0], edges, [len(samples.time_ns) - 1]])
    times: list[FloatArray] = []
    for first, last in pairwise(bounds):
        period = periods.get(Mode(samples.mode[first]))
        if period is not None:
            raster = np.arange(samples.time_ns[first], samples.time_ns[last], period * 1e9)
            times.append(raster + period * 1e9 * (0.05 * rng.random() + 0.05 * rng.random(len(raster))))
    return np.concatenate(times).astype(np.int64) // 1000 * 1000


def _frames(
    bus: Bus,
    message: MessageLayout,
    bound: list[Binding],
    samples: Samples,
    times: Int64Array,
    rng: np.random.Generator,
    index: int,
    channels: tuple[str, ...],
) -> FrameBatch:
    n = len(times)
    row = np.maximum(np.searchsorted(samples.time_ns, times, side="right") - 1, 0)
    values: dict[str, NDArray[np.floating]] = {}
    for binding in bound:
        role = binding.role.name
        if not role.startswith(_UNTOLD):
            column = with_noise(role, samples.columns[role][row], rng)
            values[binding.signal] = _physical(binding, message.signal(binding.signal), column)
    for signal in message.signals:
        if signal.name.endswith("Counter"):
            values[signal.name] = np.arange(n) % 15.0
        elif signal.name.endswith("Valid") and signal.length == 1:
            values[signal.name] = np.ones(n)
    payload = np.zeros((n, 8), np.uint8)
    payload[:, : message.length] = pack(message, values, n)
    identifier = np.full(n, message.identifier, np.uint32)
    is_lin = bus.kind == "lin"
    flags = (Flag.LIN if is_lin else 0) | (Flag.EXTENDED if message.extended else 0)
    return FrameBatch(
        times,
        np.full(n, index, np.uint16),
        channels,
        identifier,
        np.full(n, flags, np.uint16),
        np.full(n, message.length, np.uint8),
        payload,
        enhanced_checksum(identifier, payload) if is_lin else np.full(n, -1, np.int16),
    )


def with_noise(role: str, value: FloatArray, rng: np.random.Generator) -> FloatArray:
    """A role's values as its sensor reads them; see `emit`."""
    spread: FloatArray | float
    if role == "battery_voltage":
        spread = 0.003
    elif role == "battery_current":
        spread = 0.010 + 0.002 * np.abs(value)
    elif role == "board_voltage":
        spread = 0.015
    else:
        return value
    noisy: FloatArray = value + spread * rng.standard_normal(len(value))
    return noisy


def _physical(binding: Binding, signal: SignalLayout, value: FloatArray) -> FloatArray:
    """A role's values as the signal's physical values, the way back of `signal_defs.platform.Binding`."""
    if binding.role.kind == "number":
        return (binding.sign * value - binding.offset) / binding.scale
    if binding.role.kind == "state":
        raw_by_name = {name: raw for raw, name in signal.choices.items()}
        raw = np.array([raw_by_name[name] for name in GEARS], float)[value.astype(np.int64)]
    else:
        true, false = _flag_codes(binding, signal)
        raw = np.where(value != 0.0, float(true), float(false))
    return raw * signal.scale + signal.offset


def _flag_codes(binding: Binding, signal: SignalLayout) -> tuple[int, int]:
    if not binding.true_when:
        return 1, 0
    raw_by_name = {name: raw for raw, name in signal.choices.items()}
    true = [raw_by_name[code] if isinstance(code, str) else code for code in binding.true_when]
    return true[0], next(raw for raw in range(1 << signal.length) if raw not in true)
