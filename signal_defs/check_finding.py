"""What a check of a platform found: one thing, its place, its weight, its mend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from signal_defs.text import Text

CheckWeight = Literal["error", "warning", "note"]
ORDER: dict[CheckWeight, int] = {"error": 0, "warning": 1, "note": 2}


@dataclass(frozen=True, slots=True)
class CheckFinding:
    """One finding. place: file and key, or database, message and signal. code: the check that found it.

    "error": the analysis would be wrong or refuse. "warning": it may be wrong. "note": worth knowing.
    """

    code: str
    weight: CheckWeight
    place: str
    what: Text
    mend: Text
