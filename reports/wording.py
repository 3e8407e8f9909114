"""The shape of what is said about a finding: title, meaning, hands-on checks, cautions, what it is mistaken for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from signal_defs.text import Text

CautionKey = Literal[
    "engine_restarts",
    "gas_and_acid",
    "short_circuit",
    "disconnecting",
    "second_store",
    "charger_ground",
    "road_test",
]


@dataclass(frozen=True, slots=True)
class Check:
    """One thing to do at the vehicle.

    do: what to do, as an instruction. decides: the limit, and what it means to be on either side of it.
    minutes: rough hands-on time, waiting not counted; common practice, no source. cautions: needed before it.
    """

    do: Text
    decides: Text
    minutes: int
    cautions: tuple[CautionKey, ...] = ()


@dataclass(frozen=True, slots=True)
class Wording:
    """What is said about one finding code. checks: most telling a minute first. false_friend: what looks the same."""

    title: Text
    meaning: Text
    checks: tuple[Check, ...]
    false_friend: Text

    @property
    def cautions(self) -> tuple[CautionKey, ...]:
        """Cautions of all checks, each once, in the order first needed."""
        return tuple(dict.fromkeys(key for check in self.checks for key in check.cautions))


def check(do: str, decides: str, minutes: int, *cautions: CautionKey) -> Check:
    """A check from plain sentences."""
    return Check(Text(do), Text(decides), minutes, cautions)


def wording(title: str, meaning: str, checks: tuple[Check, ...], false_friend: str) -> Wording:
    """The wording of a finding from plain sentences."""
    return Wording(Text(title), Text(meaning), checks, Text(false_friend))
