"""A platform's conditions as rows of a table."""

from __future__ import annotations

from reports.failing import quantity
from reports.language import Language
from reports.role_words import GROUP_WORDS, role_words
from reports.table import Cell, Column, word
from signal_defs.platform import Condition
from signal_defs.roles import ROLES


def rule_columns(say: Language) -> list[Column]:
    """The columns that `rule_cells` fills."""
    names = (say("Condition"), say("Group"), say("Role"), say("Must be"), say("Applies to"), say("Source"))
    return [Column(name) for name in names]


def rule_cells(one: Condition, say: Language) -> list[Cell]:
    """A condition's name, group, role, what it must be, what it applies to, and where it comes from."""
    unit = ROLES[one.role].unit if one.role in ROLES else ""
    if one.at_least is not None:
        must = say("at least {limit}", limit=quantity(one.at_least, unit, say))
    elif one.at_most is not None:
        must = say("at most {limit}", limit=quantity(one.at_most, unit, say))
    else:
        must = quantity("" if one.equals is None else one.equals, unit, say)
    if one.hysteresis:
        must = say("{must}, {more} to recover", must=must, more=quantity(one.hysteresis, unit, say))
    if one.for_s:
        must = say("{must}, for {seconds}", must=must, seconds=quantity(one.for_s, "s", say))
    scope = {"stop": say("stop"), "restart": say("restart"), "both": say("both")}[one.applies_to]
    words = (say.name(one.name), say.text(GROUP_WORDS[one.group]), role_words(one.role, say), must, scope)
    return [word(cell) for cell in (*words, say.name(one.source or "–"))]
