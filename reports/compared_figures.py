"""What changed in the battery, in words."""

from __future__ import annotations

from dataclasses import replace

from estimator.estimate import Figure
from idle_stop.comparison import Change, Comparison, FigureChange
from reports.language import Language
from reports.part import Part
from reports.parts.health import TWO_RESISTANCES
from reports.table import Cell, Column, Table, texts
from signal_defs.text import Text

NAMES: dict[str, tuple[Text, int, str]] = {  # what it is called, decimals, unit
    "soc_min": (Text("lowest state of charge"), 0, "%"),
    "capacity_ah": (Text("capacity"), 0, "Ah"),
    "soh_percent": (Text("capacity, of the rated"), 0, "%"),
    "resistance_mohm": (Text("resistance at 25 °C"), 1, "mΩ"),
    "load_step_resistance_mohm": (Text("resistance from steps of the load"), 1, "mΩ"),
    "quiescent_ma": (Text("current drawn asleep"), 0, "mA"),
    "current_offset_a": (Text("offset of the current sensor"), 3, "A"),
    "charge_acceptance_a_per_ah": (Text("charge acceptance"), 2, "A/Ah"),
    "next_crank_min_v": (Text("lowest voltage of the next start"), 1, "V"),
}
CHANGES: dict[Change, Text] = {
    "rose": Text("rose"),
    "fell": Text("fell"),
    "within the bands": Text("within the bands"),
    "cannot be told": Text("cannot be told"),
}
_TURNED: dict[Change, Change] = {"rose": "fell", "fell": "rose"}


def figures_part(compared: Comparison, say: Language) -> Part:
    """What changed in the battery?"""
    found = [_as_drawn(one) for one in compared.figures]
    names = [say.text(NAMES[one.name][0]) for one in found]
    verdicts = [say.text(CHANGES[one.change]) for one in found]
    columns = [
        texts(say("Figure"), names),
        Column(say("Before"), [_cell(one.before, one.name, say) for one in found], numeric=True),
        Column(say("After"), [_cell(one.after, one.name, say) for one in found], numeric=True),
        texts(say("Change"), verdicts),
        texts(say("Why it cannot be told"), [say.text(one.why) if one.why else "–" for one in found]),
    ]
    changed = [
        f"{name} {verdict}" for name, verdict, one in zip(names, verdicts, found, strict=True) if one.change in _TURNED
    ]
    if changed:
        answer = say("Beyond the bands: {changes}.", changes=say.list(changed))
    elif any(one.change != "cannot be told" for one in found):
        answer = say("No figure of the battery changed beyond its band.")
    else:
        answer = say("No figure of the battery can be compared.")
    known = {one.name for one in found if one.before.is_known or one.after.is_known}
    more = say.text(TWO_RESISTANCES) if {"resistance_mohm", "load_step_resistance_mohm"} <= known else ""
    table = Table("figures", say("Figures before and after, with their 95 % bands"), columns, more)
    return Part("figures", say("What changed in the battery?"), answer, tables=(table,))


def _as_drawn(change: FigureChange) -> FigureChange:
    """The current asleep as people speak of it: how much is drawn, not less than none."""
    if change.name != "quiescent_ma":
        return change
    turned = _TURNED.get(change.change, change.change)
    return replace(change, before=_drawn(change.before), after=_drawn(change.after), change=turned)


def _drawn(figure: Figure) -> Figure:
    if not figure.is_known:
        return figure
    return Figure(max(-figure.value, 0.0), max(-figure.high, 0.0), max(-figure.low, 0.0))


def _cell(figure: Figure, name: str, say: Language) -> Cell:
    _, digits, unit = NAMES[name]
    return Cell(say.figure(figure, digits, unit), round(figure.value, 4) if figure.is_known else "")
