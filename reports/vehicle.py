"""The page of one vehicle: ten parts, each one question, in the order a person asks them."""

from __future__ import annotations

from collections import Counter
from typing import Any

from idle_stop.analysis import Analysis
from reports.figures.evidence import evidence, evidence_words
from reports.findings import certainty
from reports.packed import packed, script_json
from reports.page import render
from reports.parts.between import between_part
from reports.parts.charge import charge_part
from reports.parts.checks import checks_part
from reports.parts.data import data_part
from reports.parts.health import health_part
from reports.parts.origin import origin_part
from reports.parts.starts import starts_part
from reports.parts.when import when_part
from reports.parts.why import why_part
from reports.plain import plain
from reports.static_svg import static_svg
from reports.summary import cause, urgency, what_first, what_happened
from reports.theme import STATES, WEIGHTS, state_of
from reports.view import View, view_of

_EVIDENCE_BYTES = 1_800_000  # what all evidence pictures of a page may weigh
_CHOICES = 1500


def vehicle_page(analysis: Analysis, *, language: str = "en") -> str:
    """One self-contained HTML page: opens offline, prints, works without script; the same input gives the same bytes.

    Raises UsageError for a language that is not in `reports.language.LANGUAGES`.
    """
    view = view_of(analysis, language)
    say = view.say
    parts = [when_part(view), why_part(view), charge_part(view), starts_part(view), between_part(view)]
    parts += [health_part(view), data_part(view)]
    checks = checks_part(view)
    first = next((words.checks[0] for one, words in checks.findings if one.weight != "note" and words.checks), None)
    vehicle = plain(analysis.vehicle)
    weight, mark = urgency(analysis)
    return render(
        "vehicle.html.j2",
        say=say,
        title=say("{vehicle}: idle-stop report", vehicle=vehicle),
        foot=_dates(view),
        heading=vehicle,
        platform=say.name(analysis.platform.title),
        dates=_dates(view),
        utc=view.clock.absolute,
        length=say.duration(analysis.recording.duration_s),
        happened=what_happened(analysis, say),
        first_sentence=what_first(analysis, say),
        cause=cause(analysis, say),
        urgency={"weight": weight, "sign": mark.sign, "word": say(mark.word)},
        first=first,
        tallies=_tallies(view),
        standstills=say.many("{n} standstill:", "{n} standstills:", len(analysis.account.standstills)),
        parts=[*parts, checks, origin_part(view)],
        weights=WEIGHTS,
        certainty=certainty,
        evidence=_evidence(view),
    )


def _dates(view: View) -> str:
    recording, say = view.analysis.recording, view.say
    if not view.clock.absolute:
        return say("date not recorded")
    start, end = view.clock.day(recording.start_ns, say), view.clock.day(recording.end_ns, say)
    return start if start == end else say("{start} to {end}", start=start, end=end)


def _tallies(view: View) -> list[dict[str, Any]]:
    """Standstills by state, for the first screen: sign, word, number."""
    counts = Counter(state_of(one) for one in view.account.standstills)
    rows = []
    for state, mark in STATES.items():
        count = counts[state]
        if count or (state == "refused" and view.account.asked and not view.account.battery_only):
            seen = state == "refused" and counts["hidden"]
            word = view.say("refused, cause visible") if seen else view.say(mark.word)
            rows.append({"state": state, "sign": mark.sign, "word": word, "count": count})
    return rows


def _evidence(view: View) -> dict[str, Any] | None:
    """The standstills to choose from, the pictures of as many as fit, and the one shown first."""
    standstills = view.account.standstills
    if not standstills:
        return None
    order = sorted(range(len(standstills)), key=lambda place: (_rank(view, place), place))
    pictures: dict[str, Any] = {}
    weight = 0
    for place in order:
        entry = {"words": evidence_words(view, place), "picture": packed(evidence(view, place))}
        weight += len(script_json(entry))
        if pictures and weight > _EVIDENCE_BYTES:
            break
        pictures[str(place)] = entry
    shown = sorted(int(place) for place in pictures)[:_CHOICES]
    first = order[0]
    picture = evidence(view, first)
    words = evidence_words(view, first)
    return {
        "first": first,
        "words": words,
        "drawn": static_svg(picture, words),
        "choices": [(place, _choice(view, place)) for place in shown],
        "json": script_json(pictures),
        "left": len(standstills) - len(pictures),
        "stopped": any(one.stop_start_ns is not None for one in standstills),
        "limits": any(one.at_least is not None or one.at_most is not None for one in view.conditions),
    }


def _rank(view: View, place: int) -> int:
    """Refusals with one reason first, with several, then ended early, then without one, then the rest."""
    standstill = view.account.standstills[place]
    if standstill.outcome == "refused" and len(standstill.reasons) == 1:
        return 0
    return {"refused": 1, "cut_short": 2, "hidden": 3, "stopped": 4, "not_sought": 5}[state_of(standstill)]


def _choice(view: View, place: int) -> str:
    standstill = view.account.standstills[place]
    mark = STATES[state_of(standstill)]
    return f"{place + 1}. {mark.sign} {view.when(standstill.start_ns)}, {view.say(mark.word)}"
