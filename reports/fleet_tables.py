"""Tables of the fleet page: the ranking, the fair comparisons, what there is too little data of."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fleet.fleet_data import FleetData
from fleet.metrics import METRICS
from fleet.ranking import Ranked
from fleet.strata import GROUPINGS, Compared, Strata, strata
from reports.fleet_story import days_words, reason_words
from reports.fleet_words import PROPERTIES, STANDING_WORDS, VERDICTS, day_words
from reports.language import Language
from reports.table import Cell, Column, Table, number, table, word
from signal_defs.text import Text


def ranking_table(ranked: Sequence[Ranked], say: Language) -> Table:
    """All vehicles with their standing and reasons."""
    columns = [
        Column(say("Vehicle")),
        Column(say("Standing")),
        Column(say("Badness, at least"), numeric=True),
        Column(say("Reasons")),
        Column(say("Since")),
        Column(say("To the limit")),
    ]
    rows = [
        [
            word(one.vehicle),
            word(say.text(STANDING_WORDS[one.standing])),
            number(one.badness, 1, say),
            word("; ".join(reason_words(reason, say) for reason in one.reasons)),
            word(day_words(one.since) if math.isfinite(one.since) else ""),
            word(days_words(one.days, say)),
        ]
        for one in ranked
    ]
    return table("ranking", say("All vehicles"), columns, rows)


def figures_table(ranked: Sequence[Ranked], say: Language) -> Table:
    """Every figure of every vehicle: level, slope, verdict, data behind it."""
    columns = [
        Column(say("Vehicle")),
        Column(say("Figure")),
        Column(say("Unit")),
        Column(say("Level"), numeric=True),
        Column(say("Lowest"), numeric=True),
        Column(say("Highest"), numeric=True),
        Column(say("Change a month"), numeric=True),
        Column(say("At least"), numeric=True),
        Column(say("At most"), numeric=True),
        Column(say("Verdict")),
        Column(say("Days"), numeric=True),
        Column(say("Missing")),
    ]
    rows = []
    for one in ranked:
        for name, trend in one.trends.items():
            digits = METRICS[name].digits + 1
            values = (trend.level.value, trend.level.low, trend.level.high)
            slopes = (trend.slope.value, trend.slope.low, trend.slope.high)
            cells: list[Cell] = [word(one.vehicle), word(say.text(Text(METRICS[name].title))), word(METRICS[name].unit)]
            cells += [number(value, digits, say) for value in (*values, *slopes)]
            missing = " ".join(say.text(line) for line in trend.lacking)
            cells += [word(say.text(VERDICTS[trend.verdict])), number(float(trend.days), 0, say), word(missing)]
            rows.append(cells)
    return table("figures", say("All figures of all vehicles, present battery episode"), columns, rows)


def comparisons(data: FleetData, say: Language) -> tuple[list[Table], list[str]]:
    """A table for each property by which there are two groups or more, and a sentence for each reversal."""
    tables, sentences = [], []
    for by in GROUPINGS:
        found = strata(data, by)
        if len(found.groups) < 2:
            continue
        tables.append(_strata_table(found, say))
        sentences += [
            say(
                "By {by}: {a} looks better than {b} when all standstills are pooled ({pa:.0f} against {pb:.0f} %), "
                "but within the same classes of temperature {b} is better ({wb:.0f} against {wa:.0f} %): the weather "
                "differs, not the vehicles.",
                by=say.text(PROPERTIES[by]),
                a=one.better_pooled,
                b=one.better_within,
                pa=one.pooled[0],
                pb=one.pooled[1],
                wa=one.within[0],
                wb=one.within[1],
            )
            for one in found.reversals
        ]
    return tables, sentences


def _strata_table(found: Strata, say: Language) -> Table:
    columns = [
        Column(say.text(PROPERTIES[found.by])),
        Column(say("Vehicles"), numeric=True),
        Column(say("Standstills"), numeric=True),
        Column(say("Stopped, pooled"), "%", numeric=True),
        Column(say("95 % interval")),
        Column(say("Same weather"), "%", numeric=True),
        *(Column(say("{low} to {high} °C", low=label, high=label + 10), "%", numeric=True) for label in found.classes),
    ]
    rows = [_strata_row(group, found.classes, say) for group in found.groups]
    caption = say("Share of standstills with the engine stopped, by {by}", by=say.text(PROPERTIES[found.by]))
    return table(f"by-{found.by.replace('_', '-')}", caption, columns, rows)


def _strata_row(group: Compared, classes: Sequence[int], say: Language) -> list[Cell]:
    between = say("{low} to {high}", low=say.number(group.pooled.low), high=say.number(group.pooled.high))
    cells = [
        word(group.group or say("not given")),
        number(float(group.vehicles), 0, say),
        number(float(group.standstills), 0, say),
        number(group.pooled.value, 0, say),
        word(between),
        number(group.standardised, 0, say),
    ]
    for label in classes:
        share = group.by_class.get(label)
        cells.append(number(share[0].value if share else float("nan"), 0, say))
    return cells
