"""The text of an LDF taken apart: tokens, then sections as plain values. No meaning is given to them here.

Reads what LIN 1.3 to 2.2A, ISO 17987-2 and J2602 write, and what real files do beside it: a byte order mark, Latin-1,
sections left out or empty, integers where floats belong and the other way round, scalars over 16 bits.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from signal_defs.errors import DefinitionError

_TOKEN = re.compile(
    r"""(?P<space>\s+|//[^\n]*|/\*.*?(?:\*/|\Z))
      |(?P<text>"[^"]*")
      |(?P<mark>[{}:;,=])
      |(?P<word>[^\s{}:;,="]+)
      |(?P<other>.)""",
    re.VERBOSE | re.DOTALL,
)


@dataclass(frozen=True, slots=True)
class Statement:
    """One statement: its words up to ";" or a block; body: the block's statements, None if it has none."""

    words: tuple[str, ...]
    line: int
    body: tuple[Statement, ...] | None = field(default=None)

    @property
    def head(self) -> str:
        """The first word, "" if there is none."""
        return self.words[0] if self.words else ""

    def items(self) -> list[str]:
        """The words without marks; texts lose their quotes."""
        return [word.strip('"') for word in self.words if word not in _MARKS]


_MARKS = frozenset("{}:;,=")
_MAX_DEPTH = 8


def parse_ldf(text: str, where: str) -> tuple[Statement, ...]:
    """The statements of an LDF. Raises DefinitionError where brackets do not match or a text does not end."""
    tokens = list(_tokens(text, where))
    statements, position = _block(tokens, 0, where, 0)
    if position < len(tokens):
        raise _fault(where, tokens[position][1], 'a "}" too many')
    return statements


def _tokens(text: str, where: str) -> Iterator[tuple[str, int]]:
    line = 1
    for match in _TOKEN.finditer(text):
        word = match.group()
        if match.lastgroup == "other":
            raise _fault(where, line, f"a {word!r} that nothing closes")
        if match.lastgroup != "space":
            yield word, line
        line += word.count("\n")


def _block(tokens: list[tuple[str, int]], position: int, where: str, depth: int) -> tuple[tuple[Statement, ...], int]:
    statements: list[Statement] = []
    words: list[str] = []
    line = 0
    while position < len(tokens):
        word, here = tokens[position]
        line = line if words else here
        if word == "}":
            break
        position += 1
        if word == ";":
            statements.append(Statement(tuple(words), line))
            words = []
        elif word == "{" and _is_list(words):
            position = _take_list(tokens, position, words)
        elif word == "{":
            if depth >= _MAX_DEPTH:
                raise _fault(where, here, f"blocks deeper than {_MAX_DEPTH}")
            body, position = _block(tokens, position, where, depth + 1)
            if position >= len(tokens):
                raise _fault(where, line, f"the block of {' '.join(words)!r} does not end")
            position += 1
            statements.append(Statement(tuple(words), line, body))
            words = []
        else:
            words.append(word)
    if words:
        raise _fault(where, line, f'{" ".join(words[:4])!r} does not end with ";"')
    return tuple(statements), position


def _is_list(words: list[str]) -> bool:
    """Whether a "{" opens a list of values: an array's initial value, or the arguments of a schedule command."""
    return bool(words) and (words[-1] in {",", "="} or (len(words) == 1 and words[0] in _COMMANDS))


def _take_list(tokens: list[tuple[str, int]], position: int, words: list[str]) -> int:
    words.append("{")
    while position < len(tokens) and tokens[position][0] not in {"}", ";"}:
        words.append(tokens[position][0])
        position += 1
    if position < len(tokens) and tokens[position][0] == "}":
        words.append("}")
        position += 1
    return position


_COMMANDS = {
    *("AssignNAD", "ConditionalChangeNAD", "DataDump", "SaveConfiguration", "FreeFormat"),
    *("AssignFrameIdRange", "AssignFrameId", "UnassignFrameId"),
}


def _fault(where: str, line: int, what: str) -> DefinitionError:
    return DefinitionError(what, where=f"{where}, line {line}", mend="Compare the line with the LDF's own grammar.")
