"""Which raw values mean "not available" or "error": by the names a database gives, and by the J1939 ranges."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

_QUIET = re.compile(r"[\W_]+")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")
_UMLAUTS = str.maketrans({"ü": "ue", "ä": "ae", "ö": "oe", "ß": "ss"})

# Said at the start or the end of a name, these mean that there is no value.
_PHRASES = (
    "sna|not available|notavailable|unavailable|invalid|not valid"
    "|nicht verfuegbar|nicht gueltig|ungueltig|ungueltiger wert"
)
_STRONG = re.compile(rf"^(?:{_PHRASES})\b|\b(?:{_PHRASES})$")
# These may be part of a real state's name ("no error", "error lamp"): they count only alone, or with such a word.
_WEAK = re.compile(
    r"(?:signal |sensor |value |data )?(?:n a|na|error|fehler|fehlerhaft|void|undefined|undefiniert|unknown|unbekannt)"
    r"(?: indicator| indication| value| wert)?"
)
# J1939-71, transmitted signal ranges, from memory: high byte 0xFB.. reserved, 0xFE error, 0xFF not available;
# status fields of two bits: 2 error, 3 not available; of four bits: 14 and 15.
_J1939_RANGES = {
    2: (2, 3),
    4: (14, 15),
    8: (0xFB, 0xFF),
    16: (0xFB00, 0xFFFF),
    24: (0xFB0000, 0xFFFFFF),
    32: (0xFB000000, 0xFFFFFFFF),
}

Range = tuple[int, int]


def means_invalid(name: str) -> bool:
    """Whether a value's name says that there is no value; English and German."""
    plain = _QUIET.sub(" ", _CAMEL.sub(" ", name).lower().translate(_UMLAUTS)).strip()
    return bool(_STRONG.search(plain) or _WEAK.fullmatch(plain))


def invalid_by_name(choices: Mapping[int, str], length: int) -> tuple[Range, ...]:
    """Raw values named as invalid. A signal of one bit has two states, and both are values."""
    if length <= 1:
        return ()
    return merge_ranges((raw, raw) for raw, name in choices.items() if means_invalid(name))


def invalid_by_j1939(length: int, choices: Mapping[int, str]) -> tuple[Range, ...]:
    """The raw values that J1939 keeps for "error" and "not available", without those the database names otherwise."""
    span = _J1939_RANGES.get(length)
    if span is None:
        return ()
    low, high = span
    named = sorted(raw for raw, name in choices.items() if low <= raw <= high and not means_invalid(name))
    ranges = []
    for raw in named:
        if raw > low:
            ranges.append((low, raw - 1))
        low = raw + 1
    if low <= high:
        ranges.append((low, high))
    return tuple(ranges)


def merge_ranges(ranges: Iterable[Range]) -> tuple[Range, ...]:
    """Inclusive ranges sorted, with those that touch made one."""
    merged: list[Range] = []
    for low, high in sorted(ranges):
        if merged and low <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(high, merged[-1][1]))
        else:
            merged.append((low, high))
    return tuple(merged)
