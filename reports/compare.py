"""The page that compares two recordings of one vehicle, before and after a repair."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from estimator.estimate import Figure
from idle_stop.analysis import Analysis
from reports.figures.compared import compared_shares
from reports.findings import by_urgency, wording
from reports.legend import legend_of
from reports.packed import packed, script_json
from reports.page import render
from reports.part import Part, Shown
from reports.parts.origin import origin_part
from reports.plain import plain
from reports.shares import Share, refused_share
from reports.static_svg import static_svg
from reports.summary import sought
from reports.table import Cell, Column, Table, table, word
from reports.view import View, view_of


@dataclass(frozen=True, slots=True)
class Two:
    """The same vehicle, seen twice."""

    before: View
    after: View

    @property
    def shares(self) -> tuple[Share, Share]:
        """Refused share of the stops to be expected, before and after."""
        return refused_share(self.before.account), refused_share(self.after.account)


def compare_page(before: Analysis, after: Analysis, *, language: str = "en") -> str:
    """One self-contained HTML page: which findings went, which stayed, and with what certainty.

    Raises UsageError for a language that is not in `reports.language.LANGUAGES`.
    """
    two = Two(view_of(before, language), view_of(after, language))
    say = two.before.say
    vehicle = plain(after.vehicle)
    return render(
        "compare.html.j2",
        say=say,
        title=say("{vehicle}: before and after", vehicle=vehicle),
        foot=say("before and after"),
        vehicle=vehicle,
        about=_about(two),
        happened=happened(two),
        certainty=certainty(two),
        parts=[_refusals(two), _findings(two), _figures(two), *_origins(two)],
        drawn=_drawn,
        legend=legend_of,
        packed=_packed,
    )


def happened(two: Two) -> str:
    """How often idle-stop was refused before and after."""
    before, after = two.before.account, two.after.account
    return two.before.say(
        "Idle-stop was refused at {a} of {b} standstills before, and at {c} of {d} after.",
        a=before.count("refused"),
        b=sought(before),
        c=after.count("refused"),
        d=sought(after),
    )


def certainty(two: Two) -> str:
    """Whether the change is more than chance lets expect."""
    say = two.before.say
    one, other = two.shares
    if not (one.of and other.of):
        return say("One of the recordings holds no standstill to judge by: drive the same route again.")
    if other.high < one.low:
        return say("The refusals became fewer for certain: the 95 % intervals do not touch.")
    if other.low > one.high:
        return say("The refusals became more for certain: the 95 % intervals do not touch.")
    return say("The change may be chance: the 95 % intervals overlap. Record more standstills on the same route.")


def _about(two: Two) -> str:
    say = two.before.say
    first, last = two.before.analysis.recording, two.after.analysis.recording
    return say(
        "{platform} · before: {before} · after: {after}",
        platform=two.after.analysis.platform.title,
        before=two.before.when(first.start_ns) if two.before.clock.absolute else say("date not recorded"),
        after=two.after.when(last.start_ns) if two.after.clock.absolute else say("date not recorded"),
    )


def _refusals(two: Two) -> Part:
    say = two.before.say
    shown = Shown(
        compared_shares(two.before, *two.shares),
        say("Share of the stops to be expected that were refused"),
        say("With the 95 % interval that so few standstills leave (Wilson)."),
    )
    notes = _cautions(two)
    return Part(
        "refusals", say("Is idle-stop refused less often?"), certainty(two), (shown,), (_conditions(two),), notes
    )


def _cautions(two: Two) -> tuple[str, ...]:
    """What makes the two hard to compare."""
    say = two.before.say
    notes = []
    if two.before.analysis.platform.sha256 != two.after.analysis.platform.sha256:
        notes.append(say("The two were made with different definitions; figures may differ for that alone."))
    warm = [_middle_temperature(view) for view in (two.before, two.after)]
    if all(map(math.isfinite, warm)) and abs(warm[0] - warm[1]) > 10:
        notes.append(
            say(
                "The battery was at {a:.0f} °C before and {b:.0f} °C after; voltage and refusals depend on that.",
                a=warm[0],
                b=warm[1],
            )
        )
    return tuple(notes)


def _middle_temperature(view: View) -> float:
    import numpy as np

    trace = view.analysis.recording.traces.get("battery_temperature")
    good = trace.value[trace.valid] if trace is not None else np.array([])
    return float(np.median(good)) if len(good) else math.nan


def _conditions(two: Two) -> Table:
    say = two.before.say
    counts = [view.account.reason_counts for view in (two.before, two.after)]
    names = dict.fromkeys([*counts[0], *counts[1]])
    rows = []
    for name in names:
        before, after = (count.get(name, (0, 0, 0.0))[0] for count in counts)
        rows.append([word(say.name(name)), Cell(str(before), before), Cell(str(after), after)])
    columns = [Column(say("Condition")), Column(say("Refusals before"), numeric=True)]
    columns.append(Column(say("Refusals after"), numeric=True))
    return table("conditions", say("Refusals by condition, before and after"), columns, rows)


def _findings(two: Two) -> Part:
    say = two.before.say
    before, after = ({one.code: one for one in by_urgency(view.analysis.findings)} for view in (two.before, two.after))
    rows = []
    gone = stayed = new = 0
    for code in dict.fromkeys([*before, *after]):
        if code in before and code in after:
            stayed += 1
            state = say("stayed")
        elif code in before:
            gone += 1
            state = say("went")
        else:
            new += 1
            state = say("new")
        sides = [_certain(found.get(code), say) for found in (before, after)]
        rows.append([word(say.text(wording(code).title)), word(state), word(sides[0]), word(sides[1])])
    columns = [Column(say("Finding")), Column(say("Now")), Column(say("Before")), Column(say("After"))]
    answer = say("Of the findings {gone} went, {stayed} stayed, {new} came new.", gone=gone, stayed=stayed, new=new)
    shown = table("findings", say("Findings before and after"), columns, rows)
    notes = (say("A finding that is missing after may only lack the data to show it: compare how long each recorded."),)
    return Part("findings", say("Which findings went, which stayed?"), answer, tables=(shown,), notes=notes)


def _certain(finding: Any, say: Any) -> str:
    if finding is None:
        return "–"
    return str(say("possible") if finding.possible else say("well supported"))


def _figures(two: Two) -> Part:
    say = two.before.say
    rows, changed = [], []
    for name, key, digits, unit in _compared(say):
        before: Figure = getattr(two.before.estimate, key)
        after: Figure = getattr(two.after.estimate, key)
        verdict = _verdict(before, after, say)
        if verdict in {say("rose"), say("fell")}:
            changed.append(f"{name} {verdict}")
        rows.append(
            [
                word(name),
                Cell(say.figure(before, digits, unit), round(before.value, 4) if before.is_known else ""),
                Cell(say.figure(after, digits, unit), round(after.value, 4) if after.is_known else ""),
                word(verdict),
            ]
        )
    columns = [Column(say("Figure")), Column(say("Before"), numeric=True), Column(say("After"), numeric=True)]
    columns.append(Column(say("Change")))
    if changed:
        answer = say("For certain: {changes}.", changes=say.list(changed))
    else:
        answer = say("No figure of the battery changed beyond its band.")
    shown = table("figures", say("Figures before and after, with their 95 % bands"), columns, rows)
    return Part("figures", say("What changed in the battery?"), answer, tables=(shown,))


def _compared(say: Any) -> list[tuple[str, str, int, str]]:
    return [
        (say("lowest state of charge"), "soc_min", 0, "%"),
        (say("capacity, of the rated"), "soh_percent", 0, "%"),
        (say("resistance at 25 °C"), "resistance_mohm", 1, "mΩ"),
        (say("current drawn asleep"), "quiescent_ma", 0, "mA"),
        (say("lowest voltage of the next start"), "next_crank_min_v", 1, "V"),
        (say("offset of the current sensor"), "current_offset_a", 3, "A"),
    ]


def _verdict(before: Figure, after: Figure, say: Any) -> str:
    """Rose or fell only where the bands do not touch."""
    if not (before.is_known and after.is_known):
        return str(say("cannot be told"))
    if after.low > before.high:
        return str(say("rose"))
    if after.high < before.low:
        return str(say("fell"))
    return str(say("within the bands"))


def _origins(two: Two) -> list[Part]:
    say = two.before.say
    titles = (say("Where does “before” come from?"), say("Where does “after” come from?"))
    parts = []
    for name, title, view in zip(("before", "after"), titles, (two.before, two.after), strict=True):
        part = origin_part(view)
        parts.append(Part(f"origin-{name}", title, part.answer, tables=part.tables))
    return parts


def _drawn(shown: Shown) -> Markup:
    return Markup(static_svg(shown.picture, f"{shown.title}. {shown.caption}"))  # noqa: S704 - static_svg escapes


def _packed(shown: Shown) -> Markup:
    return Markup(script_json(packed(shown.picture)))  # noqa: S704 - script_json escapes
