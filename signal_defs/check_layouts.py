"""Checks of the databases: places of signals, ranges, identifiers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations, islice

from signal_defs.check_finding import CheckFinding, CheckWeight
from signal_defs.layout import MessageLayout, Multiplexed, SignalLayout
from signal_defs.platform import Bus, Platform
from signal_defs.text import Text

MAX_BYTES = {"can": 4095, "lin": 8}  # a CAN message over 64 bytes comes in several frames (ISO 15765-2, J1939-21)
MAX_PAIRS = 100_000  # signals of one message compared for shared bits; more would take seconds
MAX_FINDINGS = 200  # of one code: a database with the same slip in every message is told by its first ones


def check_layouts(platform: Platform) -> list[CheckFinding]:
    """Findings in every message of every bus; heavier where a bound role is concerned."""
    bound = {(binding.bus, binding.message, binding.signal) for binding in platform.bindings.values()}
    found: list[CheckFinding] = []
    counts: dict[str, int] = {}
    for bus in platform.buses:
        for finding in _check_bus(bus, bound):
            counts[finding.code] = counts.get(finding.code, 0) + 1
            if finding.weight == "error" or counts[finding.code] <= MAX_FINDINGS:
                found.append(finding)
    return found


def _check_bus(bus: Bus, bound: set[tuple[str, str, str]]) -> Iterator[CheckFinding]:
    if not any(message.signals for message in bus.messages):
        said = Text("The databases of the bus define no signal.")
        mend = Text("Look whether the file is whole, and the export that was meant.")
        yield CheckFinding("no_signals", "warning", bus.name, said, mend)
    yield from _twice(bus, {message for name, message, _ in bound if name == bus.name})
    for message in bus.messages:
        names = {signal.name for signal in message.signals if (bus.name, message.name, signal.name) in bound}
        if message.length > MAX_BYTES[bus.kind]:
            said = Text("The message is {n} bytes long.", {"n": message.length})
            mend = Text("A message on this bus has at most {n} bytes.", {"n": MAX_BYTES[bus.kind]})
            yield CheckFinding(
                "message_length", "error" if names else "warning", f"{bus.name}/{message.name}", said, mend
            )
        yield from _outside(bus, message, names)
        yield from _overlaps(bus, message, names)
        for signal in message.signals:
            yield from _range(bus, message, signal, is_bound=signal.name in names)


def _twice(bus: Bus, bound: set[str]) -> Iterator[CheckFinding]:
    first: dict[tuple[int, bool], str] = {}
    for message in bus.messages:
        identifier = message.identifier if message.match == "exact" else parameter_group(message.identifier)
        key = (identifier, message.match == "pgn")
        other = first.get(key)
        first.setdefault(key, message.name)
        if other is not None:
            weight: CheckWeight = "error" if {other, message.name} & bound and other != message.name else "warning"
            said = Text("{other} has the same identifier 0x{id:X}.", {"other": other, "id": identifier})
            mend = Text("Take the message that is not on this bus out of its database.")
            yield CheckFinding("identifier_twice", weight, f"{bus.name}/{message.name}", said, mend)


def parameter_group(identifier: int) -> int:
    """The J1939 parameter group of a 29-bit identifier; below 240 the second byte is a destination (J1939-21)."""
    group = identifier >> 8 & 0x3FFFF
    return group if group >> 8 & 0xFF >= 240 else group & 0x3FF00


def bits(signal: SignalLayout) -> int:
    """The bits that a signal takes, as a number with bit byte*8 + bit set for each."""
    if signal.byte_order == "little":
        return ((1 << signal.length) - 1) << signal.start
    taken, place, left = 0, signal.start, signal.length
    while left > 0:
        here = min(left, place % 8 + 1)
        taken |= ((1 << here) - 1) << (place - here + 1)
        left -= here
        place = (place // 8 + 2) * 8 - 1
    return taken


def _outside(bus: Bus, message: MessageLayout, bound: set[str]) -> Iterator[CheckFinding]:
    for signal in message.signals:
        last = bits(signal).bit_length()
        if last > message.length * 8:
            said = Text(
                "The signal ends in byte {byte}, the message has {length} bytes.",
                {"byte": (last - 1) // 8 + 1, "length": message.length},
            )
            mend = Text("Correct the start bit, the length, the byte order, or the message's length.")
            yield CheckFinding(
                "outside_frame",
                "error" if signal.name in bound else "warning",
                f"{bus.name}/{message.name}.{signal.name}",
                said,
                mend,
            )


def _overlaps(bus: Bus, message: MessageLayout, bound: set[str]) -> Iterator[CheckFinding]:
    taken = [(bits(signal), signal) for signal in message.signals]
    union = 0
    for mask, _ in taken:
        union |= mask
    if union.bit_count() == sum(signal.length for signal in message.signals):
        return
    for (other_mask, other), (mask, signal) in islice(combinations(taken, 2), MAX_PAIRS):
        if mask & other_mask and can_be_together(signal, other, message.signals):
            said = Text("The signal shares bits with {other}.", {"other": other.name})
            mend = Text("Correct one start bit or length; signals that take turns need a multiplexer.")
            yield CheckFinding(
                "overlap",
                "error" if bound & {signal.name, other.name} else "warning",
                f"{bus.name}/{message.name}.{signal.name}",
                said,
                mend,
            )


def can_be_together(one: SignalLayout, other: SignalLayout, signals: Sequence[SignalLayout]) -> bool:
    """Whether one frame can hold both: not so where one multiplexer selects either this or that."""
    selectors = _selectors(one, signals)
    for name, ranges in _selectors(other, signals).items():
        mine = selectors.get(name)
        if mine is not None and not any(a[0] <= b[1] and b[0] <= a[1] for a in mine for b in ranges):
            return False
    return True


def _selectors(signal: SignalLayout, signals: Sequence[SignalLayout]) -> dict[str, tuple[tuple[int, int], ...]]:
    """Every multiplexer that a signal hangs on, directly or through another, with the values that select it."""
    found: dict[str, tuple[tuple[int, int], ...]] = {}
    step: Multiplexed | None = signal.multiplexed
    while step is not None and step.by not in found:
        found[step.by] = step.ranges
        by = step.by
        step = next((other.multiplexed for other in signals if other.name == by), None)
    return found


def _range(bus: Bus, message: MessageLayout, signal: SignalLayout, *, is_bound: bool) -> Iterator[CheckFinding]:
    low, high = signal.minimum, signal.maximum
    place = f"{bus.name}/{message.name}.{signal.name}"
    if signal.scale == 0 and not signal.is_bytes:
        said = Text("The factor is 0: the signal has one value.")
        mend = Text("Correct the factor in the database.")
        yield CheckFinding("scale_zero", "error" if is_bound else "warning", place, said, mend)
    if low is None or high is None or low == high == 0 or signal.is_float or signal.is_bytes:
        return
    if low > high:
        said = Text("The range goes from {low:g} to {high:g}.", {"low": low, "high": high})
        mend = Text("Swap minimum and maximum in the database.")
        yield CheckFinding("range_reversed", "warning", place, said, mend)
        return
    ends = sorted(raw * signal.scale + signal.offset for raw in signal.raw_limits)
    slack = abs(signal.scale) / 2
    if low < ends[0] - slack or high > ends[1] + slack:
        said = Text(
            "The range {low:g} to {high:g} cannot be reached: the bits hold {first:g} to {last:g}.",
            {"low": low, "high": high, "first": ends[0], "last": ends[1]},
        )
        mend = Text("Compare length, sign, factor and offset with the source of the database.")
        yield CheckFinding("range_unreachable", "warning" if is_bound else "note", place, said, mend)
