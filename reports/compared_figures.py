"""What changed in the battery, in words."""

from __future__ import annotations

from dataclasses import replace

from estimator.estimate import Figure
from idle_stop.comparison import Change, Comparison, FigureChange
from reports.language import Language
from reports.part import Part
from reports.table import Cell, Column, table, word
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
    rows, changed, known = [], [], 0
    for change in (_as_drawn(one) for one in compared.figures):
        text, digits, unit = NAMES[change.name]
        name, verdict = say.text(text), say.text(CHANGES[change.change])
        known += change.change != "cannot be told"
        if change.change in _TURNED:
            changed.append(f"{name} {verdict}")
        rows.append(
            [
                word(name),
                *(_cell(figure, digits, unit, say) for figure in (change.before, change.after)),
                word(verdict),
                word(say.text(change.why) if change.why else "–"),
            ]
        )
    columns = [Column(say("Figure")), Column(say("Before"), numeric=True), Column(say("After"), numeric=True)]
    columns += [Column(say("Change")), Column(say("Why it cannot be told"))]
    if changed:
        answer = say("Beyond the bands: {changes}.", changes=say.list(changed))
    elif known:
        answer = say("No figure of the battery changed beyond its band.")
    else:
        answer = say("No figure of the battery can be compared.")
    shown = table("figures", say("Figures before and after, with their 95 % bands"), columns, rows)
    return Part("figures", say("What changed in the battery?"), answer, tables=(shown,))


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


def _cell(figure: Figure, digits: int, unit: str, say: Language) -> Cell:
    return Cell(say.figure(figure, digits, unit), round(figure.value, 4) if figure.is_known else "")
