"""One part of a page: a question, the sentence that answers it, then what carries the answer."""

from __future__ import annotations

from dataclasses import dataclass

from reports.picture import Picture
from reports.table import Table


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """A picture as the page shows it. caption: what it shows and how to read it. table: the same facts.

    picture: None where there is too little to draw; the table is shown all the same.
    """

    picture: Picture | None
    title: str
    caption: str
    table: Table | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """name: its place on the page (#name). answer: one sentence. notes: what could not be told, and why.

    lines: further sentences that stand under the answer.
    """

    name: str
    question: str
    answer: str
    shown: tuple[Shown, ...] = ()
    tables: tuple[Table, ...] = ()
    notes: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
