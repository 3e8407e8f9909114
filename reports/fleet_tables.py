"""Tables of the fleet page: the ranking, the fair comparisons, what there is too little data of."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fleet.fleet_data import FleetData
from fleet.ranking import Ranked
from fleet.strata import GROUPINGS, Strata, strata
from reports.fleet_story import days_words, reason_words, shown_slope
from reports.fleet_words import PROPERTIES, VERDICTS, day_words
from reports.language import Language
from reports.table import Table, numbers, texts
from reports.theme import STANDINGS


def ranking_table(ranked: Sequence[Ranked], say: Language) -> Table:
    """All vehicles with their standing and reasons."""
    columns = [
        texts(say("Vehicle"), [one.vehicle for one in ranked]),
        texts(say("Standing"), [say(STANDINGS[one.standing].word) for one in ranked]),
        numbers(say, say("Badness, at least"), [one.badness for one in ranked], 1),
        texts(say("Reasons"), ["; ".join(reason_words(reason, say) for reason in one.reasons) for one in ranked]),
        texts(say("Since"), [day_words(one.since) if math.isfinite(one.since) else "" for one in ranked]),
        texts(say("To the limit"), [days_words(one.days, say) for one in ranked]),
    ]
    return Table("ranking", say("All vehicles"), columns)


def figures_table(ranked: Sequence[Ranked], say: Language) -> Table:
    """Every figure of every vehicle: level, slope, verdict, data behind it."""
    vehicles = [one.vehicle for one in ranked for _ in one.trends]
    trends = [trend for one in ranked for trend in one.trends.values()]
    slopes = [shown_slope(one) for one in trends]
    digits = [one.metric.digits + 1 for one in trends]
    columns = [
        texts(say("Vehicle"), vehicles),
        texts(say("Figure"), [say.text(one.metric.title) for one in trends]),
        texts(say("Unit"), [one.metric.unit for one in trends]),
        numbers(say, say("Level"), [one.level.value for one in trends], digits),
        numbers(say, say("Lowest"), [one.level.low for one in trends], digits),
        numbers(say, say("Highest"), [one.level.high for one in trends], digits),
        numbers(say, say("Change a month"), [one.value for one in slopes], digits),
        numbers(say, say("At least"), [one.low for one in slopes], digits),
        numbers(say, say("At most"), [one.high for one in slopes], digits),
        texts(say("Verdict"), [say.text(VERDICTS[one.verdict]) for one in trends]),
        numbers(say, say("Days"), [one.days for one in trends]),
        texts(say("Missing"), [" ".join(map(say.text, one.lacking)) for one in trends]),
    ]
    return Table("figures", say("All figures of all vehicles, present battery episode"), columns)


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
    groups, by = found.groups, say.text(PROPERTIES[found.by])
    ends = [[say.number(end) for end in (one.pooled.low, one.pooled.high)] for one in groups]
    columns = [
        texts(by, [one.group or say("not given") for one in groups]),
        numbers(say, say("Vehicles"), [one.vehicles for one in groups]),
        numbers(say, say("Standstills"), [one.standstills for one in groups]),
        numbers(say, say("Stopped, pooled"), [one.pooled.value for one in groups], 0, "%"),
        texts(say("95 % interval"), [say("{low} to {high}", low=low, high=high) for low, high in ends]),
        numbers(say, say("Same weather"), [one.standardised for one in groups], 0, "%"),
    ]
    for label in found.classes:
        shares = [one.by_class[label][0].value if label in one.by_class else math.nan for one in groups]
        columns.append(numbers(say, say("{low} to {high} °C", low=label, high=label + 10), shares, 0, "%"))
    caption = say("Share of standstills with the engine stopped, by {by}", by=by)
    return Table(f"by-{found.by.replace('_', '-')}", caption, columns)
