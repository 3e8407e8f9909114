"""A sentence for people: an English template and its values, kept apart so that a face can translate it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Text:
    """One sentence. `str()` gives English; the faces look the template up in the reader's language.

    template: English with str.format fields, for example "Too few rests: {n} of {needed}."
    values: what fills the fields; numbers stay numbers, so that a face can write them by locale.
    """

    template: str
    values: Mapping[str, object] = field(default_factory=dict)

    def __str__(self) -> str:
        return self.template.format(**self.values)


def many(one: str, more: str, n: int, **values: object) -> Text:
    """The sentence for n things: `one` for exactly one, `more` for any other number; {n} is filled too."""
    return Text(one if n == 1 else more, {"n": n, **values})
