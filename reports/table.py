"""A table: what it shows to people in their locale, what it gives to programs as they stand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

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
    unit: str = ""
    numeric: bool = False

    @property
    def title(self) -> str:
        return f"{self.name} [{self.unit}]" if self.unit else self.name


@dataclass(frozen=True, slots=True)
class Table:
    """One table. name: unique on a page and its CSV file's name."""

    name: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    more: str = ""  # what was left out, if anything

    def to_frame(self) -> Any:
        """A pandas frame of the raw values; the column names carry the units."""
        import pandas as pd

        rows = [
            [
                math.nan if cell.raw == "" and column.numeric else cell.raw
                for cell, column in zip(row, self.columns, strict=True)
            ]
            for row in self.rows
        ]
        return pd.DataFrame(rows, columns=[column.title for column in self.columns])


def word(text: str, key: int | None = None) -> Cell:
    """A cell of words."""
    shown = plain(text)
    return Cell(shown, shown, key)


def number(value: float, digits: int, say: Language) -> Cell:
    """A cell with a number; "unknown" for NaN."""
    known = math.isfinite(value)
    return Cell(say.number(value, digits), round(float(value), max(digits, 6)) + 0.0 if known else "")


def table(name: str, caption: str, columns: Sequence[Column], rows: Sequence[Sequence[Cell]], more: str = "") -> Table:
    """A table from sequences."""
    return Table(name, caption, tuple(columns), tuple(tuple(row) for row in rows), more)
