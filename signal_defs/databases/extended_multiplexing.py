"""Wide ranges of multiplexer values in a DBC ("SG_MUL_VAL_"), taken out before cantools writes out each value.

cantools turns 0-4294967295 into a list of so many numbers. The ranges are narrowed in the text that it sees and put
back into the layouts afterwards.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from signal_defs.databases.invalid import Range, merge_ranges
from signal_defs.layout import MessageLayout, Multiplexed, SignalLayout

WIDE = 256
_EXTENDED = 0x80000000

Ranges = dict[tuple[int, str], tuple[Range, ...]]

_STATEMENT = re.compile(r"^([ \t]*SG_MUL_VAL_[ \t]+(\d+)[ \t]+(\w+)[ \t]+\w+[ \t]+)([\d\s,-]+);", re.MULTILINE)
_RANGE = re.compile(r"(\d+)\s*-\s*(\d+)")


def narrow(text: str) -> tuple[str, Ranges]:
    """The DBC with every wide range cut to its first value, and what they were, by message number and signal."""
    wide: Ranges = {}

    def cut(match: re.Match[str]) -> str:
        ranges = [(int(low), int(high)) for low, high in _RANGE.findall(match[4])]
        if all(high - low < WIDE for low, high in ranges) and len(ranges) < WIDE:
            return match[0]
        wide[int(match[2]), match[3]] = merge_ranges((low, high) for low, high in ranges if low <= high)
        return f"{match[1]}{ranges[0][0]}-{ranges[0][0]};"

    return _STATEMENT.sub(cut, text), wide


def widen(messages: Sequence[MessageLayout], wide: Ranges) -> tuple[MessageLayout, ...]:
    """The layouts with the ranges that `narrow` took out."""
    if not wide:
        return tuple(messages)
    return tuple(_widen(message, wide) for message in messages)


def _widen(message: MessageLayout, wide: Ranges) -> MessageLayout:
    number = message.identifier | (_EXTENDED if message.extended else 0)
    if not any((number, signal.name) in wide for signal in message.signals):
        return message
    return replace(
        message, signals=tuple(_signal(signal, wide.get((number, signal.name))) for signal in message.signals)
    )


def _signal(signal: SignalLayout, ranges: tuple[Range, ...] | None) -> SignalLayout:
    if ranges is None or signal.multiplexed is None:
        return signal
    return replace(signal, multiplexed=Multiplexed(signal.multiplexed.by, ranges))
