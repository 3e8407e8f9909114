"""Refuses absurd lengths in a CAN database's text, before cantools lays out every single bit of them."""

from __future__ import annotations

import re

from signal_defs.errors import DefinitionError

MAX_BITS = 8 * 4095  # ISO 15765-2: the longest message sent in several frames

_PLACES = {
    ".dbc": re.compile(r"\bSG_[^:\n]*:\s*(\d+)\s*\|\s*(\d+)|\bBO_\s+\d+\s+\w+\s*:\s*(\d+)"),
    ".kcd": re.compile(r"""\b(?:length|offset)\s*=\s*["'](\d+)"""),
    ".sym": re.compile(
        r"\b(?:unsigned|signed|float|double|bit|raw|string|char)\s+(\d+)\s*,\s*(\d+)|\b(?:DLC|Len)=(\d+)"
    ),
    ".arxml": re.compile(r"<(?:[\w-]+:)?(?:LENGTH|START-POSITION|BIT-POSITION|PDU-LENGTH|FRAME-LENGTH)>\s*(\d+)"),
}
_SIGNAL_OF_SYM = re.compile(r"^[ \t]*Sig=\S+[ \t]+(?:\w+[ \t]+)?(\d+)", re.MULTILINE)


def refuse_giants(text: str, suffix: str, where: str) -> None:
    """Raise DefinitionError, with the line, where a start or a length is over MAX_BITS (or not even countable)."""
    patterns = [_PLACES[suffix], *([_SIGNAL_OF_SYM] if suffix == ".sym" else [])]
    for pattern in patterns:
        for match in pattern.finditer(text):
            for number in match.groups():
                if number is not None and (len(number) > 9 or int(number) > MAX_BITS):
                    line = text.count("\n", 0, match.start()) + 1
                    shown = number if len(number) <= 20 else number[:17] + "..."
                    raise DefinitionError(
                        f"a start or a length of {shown} is more than a message can have",
                        where=f"{where}, line {line}",
                        mend="Correct the start bit and the length.",
                    )
