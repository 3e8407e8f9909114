"""The page that compares two recordings of one vehicle, before and after a repair.

What may be said to have changed is judged by `idle_stop.comparison`; here it is worded and drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from idle_stop.analysis import Analysis
from idle_stop.comparison import Comparison, Verdict, compare
from reports.compared_figures import figures_part
from reports.compared_findings import findings_part, findings_sentence
from reports.figures.compared import compared_shares
from reports.page import render
from reports.part import Part, Shown
from reports.parts.origin import origin_part
from reports.plain import plain
from reports.table import Table, numbers, texts
from reports.view import View, view_of
from signal_defs.text import Text

HEADLINES: dict[Verdict, tuple[str, str, Text]] = {  # the page's class for it, its sign, its sentence
    "better": ("better", "✓", Text("Better: idle-stop is refused less often than before.")),
    "worse": ("worse", "✗", Text("Worse: idle-stop is refused more often than before.")),
    "no difference": ("same", "=", Text("No difference: idle-stop is refused about as often as before.")),
    "too early to say": ("early", "?", Text("Too early to say whether idle-stop is refused less often.")),
}


@dataclass(frozen=True, slots=True)
class Two:
    """The same vehicle, seen twice, and what changed."""

    before: View
    after: View
    compared: Comparison


def compare_page(before: Analysis, after: Analysis, *, language: str = "en") -> str:
    """One self-contained HTML page: whether it got better, which findings are gone or stay, and how sure that is.

    Raises UsageError for a language that is not in `reports.language.LANGUAGES`.
    """
    two = Two(view_of(before, language), view_of(after, language), compare(before, after))
    say = two.before.say
    vehicle = plain(after.vehicle)
    kind, sign, headline = HEADLINES[two.compared.verdict]
    return render(
        "compare.html.j2",
        say=say,
        title=say("{vehicle}: before and after", vehicle=vehicle),
        foot=say("before and after"),
        heading=vehicle,
        about=_about(two),
        verdict=kind,
        sign=sign,
        headline=say.text(headline),
        happened=_happened(two),
        reasons=[say.text(reason) for reason in two.compared.reasons],
        found=findings_sentence(two.compared, say),
        parts=[_refusals(two), findings_part(two.compared, say), figures_part(two.compared, say), *_origins(two)],
    )


def _happened(two: Two) -> str:
    """How often idle-stop was refused before and after."""
    say = two.before.say
    before, after = two.before.account, two.after.account
    seen = [bool(one.asked) and not one.battery_only for one in (before, after)]
    counts = {"a": before.count("refused"), "b": len(before.asked), "c": after.count("refused"), "d": len(after.asked)}
    if all(seen):
        return say("Idle-stop was refused at {a} of {b} standstills before, and at {c} of {d} after.", **counts)
    if seen[0]:
        return say(
            "Idle-stop was refused at {a} of {b} standstills before; the recording after holds none to judge by.",
            **counts,
        )
    if seen[1]:
        return say(
            "The recording before holds no standstill to judge by; after, idle-stop was refused at {c} of {d}.",
            **counts,
        )
    return say("Neither recording holds a standstill to judge by.")


def _about(two: Two) -> str:
    say, views = two.before.say, (two.before, two.after)
    before, after = (one.when(one.clock.start_ns) if one.clock.absolute else say("date not recorded") for one in views)
    return say(
        "{platform} · before: {before} · after: {after} (UTC)"
        if all(one.clock.absolute for one in views)
        else "{platform} · before: {before} · after: {after}",
        platform=say.name(two.after.analysis.platform.title),
        before=before,
        after=after,
    )


def _refusals(two: Two) -> Part:
    say, refusals = two.before.say, two.compared.refusals
    drawn = refusals.before.is_known or refusals.after.is_known
    shown = Shown(
        compared_shares(two.before, refusals),
        say("Share of the stops expected that were refused"),
        say("With the 95 % interval that so few standstills leave (Wilson).") if drawn else "",
    )
    if refusals.difference.is_known:
        change, low, high = (100 * getattr(refusals.difference, part) for part in ("value", "low", "high"))
        answer = say(
            "The refused share changed by {change:+.0f} percentage points; between {low:+.0f} and {high:+.0f} is "
            "likely (95 %)."
            if round(change)
            else "The refused share did not change; a change between {low:+.0f} and {high:+.0f} percentage points is "
            "possible (95 %).",
            change=change,
            low=low,
            high=high,
        )
    else:
        answer = say("The refused shares cannot be compared.")
    return Part(
        "refusals",
        say("Is idle-stop refused less often?"),
        answer,
        (shown,),
        (_conditions(two),),
        lines=tuple(say.text(caution) for caution in two.compared.cautions),
    )


def _conditions(two: Two) -> Table:
    say = two.before.say
    counts = [view.account.reason_counts for view in (two.before, two.after)]
    names = list(dict.fromkeys([*counts[0], *counts[1]]))
    before, after = ([count.get(name, (0,))[0] for name in names] for count in counts)
    columns = [
        texts(say("Condition"), [say.name(name) for name in names]),
        numbers(say, say("Refusals before"), before),
        numbers(say, say("Refusals after"), after),
    ]
    return Table("conditions", say("Refusals by condition, before and after"), columns)


def _origins(two: Two) -> list[Part]:
    say = two.before.say
    before = replace(origin_part(two.before), name="origin-before", question=say("Where does “before” come from?"))
    after = replace(origin_part(two.after), name="origin-after", question=say("Where does “after” come from?"))
    return [before, after]
