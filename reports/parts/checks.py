"""Part 9: what to check next, most telling first, with the cautions it needs."""

from __future__ import annotations

from dataclasses import dataclass

from idle_stop.analysis import Finding
from reports.cautions import CAUTIONS, DEFERENCE
from reports.findings import by_urgency
from reports.fitted_wording import fitted_wording
from reports.summary import what_first
from reports.theme import WEIGHTS
from reports.view import View


@dataclass(frozen=True, slots=True)
class CheckShown:
    """A check as the page shows it. time: rough hands-on time in words."""

    do: str
    decides: str
    time: str


@dataclass(frozen=True, slots=True)
class FindingShown:
    """A finding as the page shows it; all in the reader's language."""

    code: str
    weight: str
    sign: str
    weight_word: str
    title: str
    certainty: str
    meaning: str
    evidence: tuple[str, ...]
    against: tuple[str, ...]
    checks: tuple[CheckShown, ...]
    false_friend: str


@dataclass(frozen=True, slots=True)
class Checks:
    """answer: one sentence. cautions: each that a check needs, once."""

    question: str
    answer: str
    findings: tuple[FindingShown, ...]
    cautions: tuple[str, ...]
    deference: str


def checks_part(view: View) -> Checks:
    """Findings by urgency, each with its checks."""
    say = view.say
    findings = by_urgency(view.analysis.findings)
    keys = dict.fromkeys(key for one in findings for key in fitted_wording(one, view.analysis).cautions)
    asking = sum(one.weight != "note" for one in findings)
    if not findings:
        answer = say("Nothing in this recording points to a fault.") + " " + what_first(view.analysis, say)
    elif not asking:
        answer = say("Nothing asks for work at the vehicle; the notes below explain what was seen.")
        answer += " " + what_first(view.analysis, say)
    else:
        answer = say.many(
            "One finding asks for a check; its most telling check comes first.",
            "{n} findings ask for checks, the most urgent first; each with its most telling check first.",
            asking,
        )
    return Checks(
        question=say("What to check next?"),
        answer=answer,
        findings=tuple(_shown(one, view) for one in findings),
        cautions=tuple(say.text(CAUTIONS[key]) for key in CAUTIONS if key in keys),
        deference=say.text(DEFERENCE),
    )


def _shown(finding: Finding, view: View) -> FindingShown:
    say, words, mark = view.say, fitted_wording(finding, view.analysis), WEIGHTS[finding.weight]
    if finding.possible:
        certainty = say("possible: fewer than two independent lines of evidence, or something it needs is unknown")
    else:
        certainty = say("well supported: independent lines of evidence agree")
    return FindingShown(
        code=finding.code,
        weight=finding.weight,
        sign=mark.sign,
        weight_word=say(mark.word),
        title=say.text(words.title),
        certainty=certainty,
        meaning=say.text(words.meaning),
        evidence=tuple(say.text(line) for line in finding.evidence),
        against=tuple(say.text(line) for line in finding.against),
        checks=tuple(
            CheckShown(
                say.text(one.do), say.text(one.decides), say("{n} min of work, waiting not counted", n=one.minutes)
            )
            for one in words.checks
        ),
        false_friend=say.text(words.false_friend),
    )
