"""The reader's language: sentences from the catalogue, numbers, instants and durations by locale."""

from __future__ import annotations

import math
import re
import string
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

from estimator.estimate import Figure
from reports.plain import plain
from signal_defs.errors import UsageError
from signal_defs.text import Text

LANGUAGES = ("en", "de")
_SPEC = re.compile(r"(?P<sign>\+?)(?P<group>,?)(?:\.(?P<digits>\d+))?(?P<kind>[fdg%]?)")


@lru_cache
def catalogue(code: str) -> Mapping[str, str]:
    """English template -> template in that language; plural forms stand under the form they translate.

    English has none: its templates are the keys. Raises UsageError for a language that is not in LANGUAGES.
    """
    if code not in LANGUAGES:
        raise UsageError(f"There is no language {code!r}.", mend=f"Name one of {', '.join(LANGUAGES)}.")
    if code == "en":
        return {}
    from babel.messages.pofile import read_po

    found: dict[str, str] = {}
    for part in sorted(files("reports").joinpath(f"locale/{code}").iterdir(), key=lambda path: path.name):
        if not part.name.endswith(".po"):
            continue
        with part.open("rb") as file:
            entries = read_po(file, locale=code)
        pairs = (zip(_forms(entry.id), _forms(entry.string), strict=False) for entry in entries)
        found.update({key: value for forms in pairs for key, value in forms if key and value})
    return found


def _forms(text: Any) -> tuple[str, ...]:
    return (text,) if isinstance(text, str) else tuple(text)


@dataclass(frozen=True, slots=True)
class Language:
    """Calling it translates an English template and fills it; see `signal_defs.text.Text`."""

    code: str = "en"

    def __call__(self, template: str, **values: object) -> str:
        found = catalogue(self.code).get(template, template)
        return _Filler(self).vformat(found, (), values)

    def many(self, one: str, more: str, n: int, **values: object) -> str:
        """The template for n things: `one` for exactly one, `more` for any other number; {n} is filled too."""
        return self(one if n == 1 else more, n=n, **values)

    def text(self, text: Text) -> str:
        """A sentence of an earlier stage in this language; a value called condition is a platform's name for one."""
        values = {key: self.name(value) if key == "condition" else value for key, value in text.values.items()}
        return self(text.template, **values).replace(" mOhm", " mΩ").replace(" degC", " °C")

    def name(self, name: object) -> str:
        """A name that a platform gave, in this language where it is a usual one; never taken for a template."""
        words = str(name)
        return plain(catalogue(self.code).get(words, words))

    def quoted(self, name: str) -> str:
        """A platform's name in this language, between this language's quotation marks."""
        return self("“{name}”", name=self.name(name))

    def number(self, value: float, digits: int = 0, *, sign: bool = False) -> str:
        """A number with that many decimals, by locale; "unknown" for NaN."""
        if not math.isfinite(value):
            return self("unknown")
        return _decimal(self.code, round(value, digits) + 0.0, digits, sign=sign)

    def figure(self, figure: Figure, digits: int, unit: str) -> str:
        """A figure with its band, "62 % (57 to 66)"; "unknown" where there is none."""
        if not figure.is_known:
            return self("unknown")
        value = f"{self.number(figure.value, digits)} {unit}".strip()
        if not (math.isfinite(figure.low) and math.isfinite(figure.high)):
            return value
        low, high = (self.number(end, digits) for end in (figure.low, figure.high))
        return self("{value} ({low} to {high})", value=value, low=low, high=high)

    def duration(self, seconds: float) -> str:
        """A duration in its two largest units: "4 s", "3 min 20 s", "2 h 5 min", "6 d 4 h"."""
        if not math.isfinite(seconds):
            return self("unknown")
        if seconds < 10:
            return f"{self.number(seconds, 1)} s"
        whole = round(seconds)
        for size, name, small, small_name in ((86400, "d", 3600, "h"), (3600, "h", 60, "min"), (60, "min", 1, "s")):
            if whole >= size:
                rest = whole % size // small
                return f"{whole // size} {name} {rest} {small_name}" if rest else f"{whole // size} {name}"
        return f"{whole} s"

    def list(self, items: list[str], *, limit: int = 4) -> str:
        """Items in one line, as a, b and c; past `limit` the rest is counted."""
        if len(items) > limit:
            items = [*items[: limit - 1], self("{n} more", n=len(items) - limit + 1)]
        if len(items) < 2:
            return "".join(items)
        return self("{first} and {last}", first=", ".join(items[:-1]), last=items[-1])


@lru_cache(maxsize=4096)
def _decimal(code: str, value: float, digits: int, *, sign: bool) -> str:
    from babel.numbers import format_decimal

    pattern = "#,##0" + ("." + "0" * digits if digits else "")
    words: str = format_decimal(abs(value), format=pattern, locale=code)
    if value < 0:
        return f"−{words}"
    return f"+{words}" if sign else words


class _Filler(string.Formatter):
    """str.format that writes numbers by locale and texts in the reader's language, and makes strings harmless."""

    def __init__(self, language: Language) -> None:
        self.language = language

    def get_value(self, key: int | str, args: Any, kwargs: Any) -> Any:
        value = super().get_value(key, args, kwargs)
        return self.language.text(value) if isinstance(value, Text) else value

    def get_field(self, field_name: str, args: Any, kwargs: Any) -> Any:
        """Only plain names: a template never reaches into the attributes of a value."""
        return self.get_value(field_name, args, kwargs), field_name

    def format_field(self, value: Any, format_spec: str) -> str:
        spec = _SPEC.fullmatch(format_spec)
        if isinstance(value, bool) or not isinstance(value, int | float) or not spec:
            return plain(str(value)) if isinstance(value, str) or not spec else plain(format(value, format_spec))
        least = 0 if isinstance(value, int) else _places(value)
        places = int(spec["digits"]) if spec["digits"] is not None else least
        factor = 100.0 if spec["kind"] == "%" else 1.0
        words = self.language.number(value * factor, places, sign=bool(spec["sign"]))
        return f"{words} %" if spec["kind"] == "%" else words


def _places(value: float) -> int:
    """Decimals that three significant digits need."""
    if not math.isfinite(value) or value == 0:
        return 0
    wanted = max(0, 2 - math.floor(math.log10(abs(value))))
    while wanted and round(value, wanted) == round(value, wanted - 1):
        wanted -= 1
    return wanted
