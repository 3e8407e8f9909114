"""A finding: what the facts of a recording say is worth a check or a repair, with the lines that carry it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from signal_defs.text import Text

Weight = Literal["note", "check", "act"]


@dataclass(frozen=True, slots=True)
class Finding:
    """A conclusion. code: stable key; its title, next checks and cautions are worded in `reports.findings`.

    weight: how much it asks for. possible: True where fewer than two independent lines of evidence carry it, or an
    input is unknown. evidence, against: lines for and against it, each a figure with its place.
    """

    code: str
    weight: Weight
    possible: bool
    evidence: tuple[Text, ...]
    against: tuple[Text, ...] = ()
