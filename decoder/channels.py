"""Which bus of the platform each channel of a log is: by its name, else by the identifiers on it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from signal_defs.platform import Bus

ENOUGH = (
    0.5  # share of a channel's frames, or of a bus's messages, that tells a bus by its identifiers; common practice
)


@dataclass(frozen=True, slots=True)
class ChannelCount:
    """What is on one channel of a log, LIN frames apart from CAN frames.

    name: as the log calls it. lin: its frames are LIN frames. frames: data frames. known: bus number -> frames whose
    identifier that bus defines. messages: bus number -> how many of its messages were seen.
    """

    name: str
    lin: bool
    frames: int
    known: Mapping[int, int] = field(default_factory=dict)
    messages: Mapping[int, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Assignment:
    """buses: for each channel, the numbers of the buses on it, first come first served. notes: what was assumed."""

    buses: tuple[tuple[int, ...], ...]
    notes: tuple[str, ...] = ()


def plain_name(name: str) -> str:
    """A channel's name without case, blanks and leading zeros: "CAN 01" and "can1" are one."""
    return re.sub(r"0+(?=\d)", "", re.sub(r"[\s_\-:#]+", "", name.casefold()))


def bare_name(name: str) -> str:
    """A channel's plain name without the kind of bus before its number: "can1", "ch1" and "1" are one."""
    return re.sub(r"^(?:v?can(?:fd)?|sl(?:can|lin)|lin|l|ch(?:annel)?)(?=\d+$)", "", plain_name(name))


def assign_channels(channels: Sequence[ChannelCount], buses: Sequence[Bus]) -> Assignment:
    """Settle every channel's bus.

    A name that the platform gives decides, unless none of the frames there belongs to that bus while those of another
    do. Buses without a channel of that name, and channels that no bus names, find each other by identifiers: the pair
    with most known frames first, and only if the bus knows half of the frames or half of its messages were seen, or the
    log has no other channel.
    """
    taken: list[list[int]] = [[] for _ in channels]
    notes: list[str] = []
    for number, bus in enumerate(buses):
        for index in _by_name(channels, bus):
            count = channels[index]
            if count.known.get(number, 0) or not any(count.known.values()):
                taken[index].append(number)
            else:
                notes.append(f'Channel "{count.name}" has the name of bus "{bus.name}", but none of its identifiers.')
    settled = {number for index, numbers in enumerate(taken) for number in numbers if channels[index].known.get(number)}
    free = [index for index, numbers in enumerate(taken) if not numbers]
    for index, number in _by_identifier(channels, buses, free, settled):
        taken[index].append(number)
        name = channels[index].name
        if name:
            notes.append(f'Channel "{name}" was taken for bus "{buses[number].name}" by its identifiers.')
    return Assignment(tuple(map(tuple, taken)), tuple(notes))


def _by_name(channels: Sequence[ChannelCount], bus: Bus) -> list[int]:
    """The channels that carry one of the bus's names: as written if there are any, else apart from the prefix."""
    fits = [index for index, count in enumerate(channels) if bus.kind == "lin" or not count.lin]
    for normal in (plain_name, bare_name):
        names = {normal(name) for name in bus.channels}
        found = [index for index in fits if channels[index].name and normal(channels[index].name) in names]
        same_kind = [index for index in found if channels[index].lin == (bus.kind == "lin")]
        if normal is bare_name or same_kind:  # a bare number says nothing of the kind of bus
            found = same_kind
        if found:
            return found
    return []


def _by_identifier(
    channels: Sequence[ChannelCount], buses: Sequence[Bus], free: Sequence[int], settled: set[int]
) -> list[tuple[int, int]]:
    """Pairs of free channel and unsettled bus, best first; a bus goes to one channel, a channel may hold several."""
    pairs = []
    for index in free:
        count = channels[index]
        for number, bus in enumerate(buses):
            known = count.known.get(number, 0)
            if number in settled or not known or (count.lin and bus.kind != "lin"):
                continue
            share = known / count.frames
            seen = count.messages.get(number, 0) / max(len(bus.messages), 1)
            if max(share, seen) >= ENOUGH or len(channels) == 1:
                straight = (bus.kind == "lin") == count.lin
                pairs.append((straight, known, -number, index))
    chosen: list[tuple[int, int]] = []
    used_channels: set[int] = set()
    used_buses: set[int] = set()
    pairs.sort(reverse=True)
    for alone in (True, False):  # every bus its own channel first, then buses that share one
        for straight, _known, minus_number, index in pairs:
            if -minus_number in used_buses or (alone and index in used_channels):
                continue
            if not alone and not straight:
                continue
            chosen.append((index, -minus_number))
            used_channels.add(index)
            used_buses.add(-minus_number)
    return chosen
