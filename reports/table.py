"""A table: what it shows to people in their locale, what it gives to programs as they stand."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from estimator.estimate import Figure
from reports.language import Language
from reports.plain import plain


@dataclass(frozen=True, slots=True)
class Cell:
    """shown: for people. raw: to sort by and for CSV: a number in the column's unit, or a word; "" where unknown."""

    shown: str
    raw: str | float
    key: int | None = None  # number of the standstill it stands for, which the page can show


@dataclass(frozen=True, slots=True)
class Column:
    """name without unit, unit "" where it has none; numbers are set to the right."""

    name: str
    cells: Sequence[Cell]
    unit: str = ""
    numeric: bool = False

    @property
    def title(self) -> str:
        return f"{self.name} [{self.unit}]" if self.unit else self.name


@dataclass(frozen=True, slots=True)
class Table:
    """One table. name: unique on a page and its CSV file's name. more: what was left out, if anything."""

    name: str
    caption: str
    columns: Sequence[Column]
    more: str = ""

    @property
    def rows(self) -> list[tuple[Cell, ...]]:
        return list(zip(*(column.cells for column in self.columns), strict=True))

    def to_frame(self) -> Any:
        """A pandas frame of the raw values; the column names carry the units."""
        import pandas as pd

        return pd.DataFrame(
            {
                column.title: [math.nan if cell.raw == "" and column.numeric else cell.raw for cell in column.cells]
                for column in self.columns
            }
        )


def texts(name: str, words: Iterable[str]) -> Column:
    """A column of words."""
    return Column(name, [Cell(shown, shown) for shown in map(plain, words)])


def numbers(
    say: Language, name: str, values: Iterable[float | None], digits: int | Iterable[int] = 0, unit: str = ""
) -> Column:
    """A column of numbers; "unknown" for NaN, a dash for None. digits: decimals of all, or of each."""
    of_each = itertools.repeat(digits) if isinstance(digits, int) else digits
    cells = [_number(value, decimals, say) for value, decimals in zip(values, of_each, strict=False)]
    return Column(name, cells, unit, numeric=True)


def figures(say: Language, name: str, values: Iterable[Figure], digits: int = 0, unit: str = "") -> Column:
    """A column of figures with their bands."""
    cells = [Cell(say.figure(one, digits, ""), _raw(one.value, digits + 2)) for one in values]
    return Column(name, cells, unit, numeric=True)


def _number(value: float | None, digits: int, say: Language) -> Cell:
    return Cell("–", "") if value is None else Cell(say.number(value, digits), _raw(value, max(digits, 6)))


def _raw(value: float, digits: int) -> str | float:
    if isinstance(value, int):
        return value
    return round(float(value), digits) + 0.0 if math.isfinite(value) else ""
