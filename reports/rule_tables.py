"""A platform's conditions and settings as tables."""

from __future__ import annotations

from collections.abc import Sequence

from reports.failing import quantity
from reports.language import Language
from reports.platform_words import type_words
from reports.role_words import GROUP_WORDS, role_words
from reports.table import Cell, Column, Table, texts
from signal_defs.platform import Condition, Platform
from signal_defs.roles import ROLES


def rule_columns(rules: Sequence[Condition], say: Language) -> list[Column]:
    """Each condition's name, group, role, what it must be, what it applies to, and where it comes from."""
    scopes = {"stop": say("stop"), "restart": say("restart"), "both": say("both")}
    return [
        texts(say("Condition"), [say.name(one.name) for one in rules]),
        texts(say("Group"), [say.text(GROUP_WORDS[one.group]) for one in rules]),
        texts(say("Role"), [role_words(one.role, say) for one in rules]),
        texts(say("Must be"), [_rule(one, say) for one in rules]),
        texts(say("Applies to"), [scopes[one.applies_to] for one in rules]),
        texts(say("Source"), [say.name(one.source or "–") for one in rules]),
    ]


def _rule(one: Condition, say: Language) -> str:
    unit = ROLES[one.role].unit if one.role in ROLES else ""
    must = must_be(one, unit, say)
    if one.hysteresis:
        must = say("{must}, {more} to recover", must=must, more=quantity(one.hysteresis, unit, say))
    return say("{must}, for {seconds}", must=must, seconds=quantity(one.for_s, "s", say)) if one.for_s else must


def must_be(one: Condition, unit: str, say: Language) -> str:
    """What a condition's role must be: "at least 75 %", "no"."""
    if one.at_least is not None:
        return say("at least {limit}", limit=quantity(one.at_least, unit, say))
    if one.at_most is not None:
        return say("at most {limit}", limit=quantity(one.at_most, unit, say))
    return quantity("" if one.equals is None else one.equals, unit, say)


def settings_table(platform: Platform, say: Language) -> Table:
    """By which figures it judges, conditions apart."""
    rules, battery = platform.idle_stop, platform.battery
    settings: list[tuple[str, float | str | None, str]] = [
        (say("Stands at or below"), rules.standing_kmh, "km/h"),
        (say("Delay from standing to the decision"), rules.stop_delay_s, "s"),
        (say("Shortest standstill that counts"), rules.min_standstill_s, "s"),
        (say("Speed that arms it again"), rules.re_arm_kmh, "km/h"),
        (say("Held for at least"), rules.re_arm_s, "s"),
        (say("Longest stop"), rules.max_stop_s, "s"),
        (say("A good restart takes at most"), rules.restart_max_s, "s"),
        (say("A good restart keeps at least"), rules.restart_min_v, "V"),
        (say("Fuel at idle"), rules.idle_fuel_l_per_h, "l/h"),
        (say("Battery type"), type_words(battery), ""),
        (say("Rated capacity"), battery.capacity_nominal, "Ah"),
        (say("Cold-cranking current"), battery.cold_cranking_a, "A"),
    ]
    columns = [
        texts(say("Setting"), [name for name, _, _ in settings]),
        Column(say("Value"), [_setting(value, say) for _, value, _ in settings], numeric=True),
        texts(say("Unit"), [unit for _, _, unit in settings]),
    ]
    return Table("settings", say("Settings of the platform"), columns)


def _setting(value: float | str | None, say: Language) -> Cell:
    if value is None or isinstance(value, str):
        return Cell(value or "–", value or "")
    return Cell(say.number(value, 0 if value == round(value) else 2), value)
