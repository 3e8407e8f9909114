"""LDF signal encodings: what raw values mean, brought to the one scale that a layout has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite

from signal_defs.databases.invalid import Range, invalid_by_name, merge_ranges
from signal_defs.databases.ldf_text import Statement
from signal_defs.errors import DefinitionError
from signal_defs.layout import SignalLayout


@dataclass(frozen=True, slots=True)
class Physical:
    """One physical range: raw values low..high, value = raw * scale + offset."""

    low: int
    high: int
    scale: float
    offset: float
    unit: str


@dataclass(frozen=True, slots=True)
class Encoding:
    """One encoding type as the LDF gives it."""

    name: str
    physical: tuple[Physical, ...]
    choices: dict[int, str]
    is_text: bool

    def layout(self, name: str, start: int, length: int, *, is_array: bool) -> SignalLayout:
        """A signal of this encoding at that place.

        Raw values that the encoding covers neither by a range nor by a name are invalid, as are those named so. A
        layout has one scale: of several physical ranges the widest is kept (the first of equals), the rest is invalid
        and the comment says so. An array with a physical range is taken as one number, its first byte the lowest.
        """
        base = plain(name, start, length, is_array=is_array and (self.is_text or not self.physical))
        if base.is_bytes or self.is_text:
            return base
        top = (1 << length) - 1
        main = max(self.physical, key=lambda part: part.high - part.low, default=None)
        invalid = list(invalid_by_name(self.choices, length))
        if main is None:
            return replace(base, choices=self.choices, invalid=tuple(invalid))
        same = [part for part in self.physical if (part.scale, part.offset) == (main.scale, main.offset)]
        covered = [(part.low, part.high) for part in same] + [(raw, raw) for raw in self.choices]
        invalid += complement(covered, top)
        low, high = (min(part.low for part in same), min(max(part.high for part in same), top))
        ends = sorted((low * main.scale + main.offset, high * main.scale + main.offset))
        return replace(
            base,
            scale=main.scale,
            offset=main.offset,
            unit=main.unit,
            minimum=ends[0],
            maximum=ends[1],
            choices=self.choices,
            invalid=merge_ranges(invalid),
            comment=""
            if len(same) == len(self.physical)
            else "other physical ranges have another scale; read as invalid",
        )


def plain(name: str, start: int, length: int, *, is_array: bool) -> SignalLayout:
    """A signal without encoding: its raw value, or its bytes."""
    return SignalLayout(name=name, start=start, length=length, is_bytes=is_array or length > 64)


def complement(ranges: Sequence[Range], top: int) -> tuple[Range, ...]:
    """What 0..top has outside the inclusive ranges."""
    free: list[Range] = []
    following = 0
    for low, high in merge_ranges(ranges):
        if low > following:
            free.append((following, min(low - 1, top)))
        following = max(following, high + 1)
    if following <= top:
        free.append((following, top))
    return tuple(free)


def read_encodings(types: Sequence[Statement], where: str) -> dict[str, Encoding]:
    """The section Signal_encoding_types, by name. Raises DefinitionError with the line."""
    return {entry.head: _encoding(entry, where) for entry in types}


def _encoding(entry: Statement, where: str) -> Encoding:
    physical: list[Physical] = []
    choices: dict[int, str] = {}
    is_text = False
    for value in entry.body or ():
        items = value.items()
        at = f"{where}, line {value.line}"
        match value.head:
            case "physical_value" if len(items) >= 5:
                low, high, scale, offset = (number(item, at) for item in items[1:5])
                unit = items[5] if len(items) > 5 else ""
                physical.append(Physical(int(low), int(high), scale, offset, unit))
            case "logical_value" if len(items) >= 2:
                raw = int(number(items[1], at))
                choices.setdefault(raw, items[2] if len(items) > 2 else str(raw))
            case "bcd_value" | "ascii_value":
                is_text = True
            case _:
                raise DefinitionError(
                    f"{value.head!r} in encoding {entry.head!r} is not understood",
                    where=at,
                    mend="Write logical_value, physical_value, bcd_value or ascii_value with all its parts.",
                )
    return Encoding(entry.head, tuple(physical), choices, is_text)


def number(word: str, at: str) -> float:
    """A number as an LDF writes it: decimal, hexadecimal, or with a point. at: its file and line, for the fault."""
    try:
        value = float(int(word, 16)) if word.lower().startswith("0x") else float(word)
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise DefinitionError(f"{word!r} is no number", where=at, mend="Write a decimal number or 0x and hex digits.")
    return value
