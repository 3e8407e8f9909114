"""Part 9: what to check next, most telling first, with the cautions it needs."""

from __future__ import annotations

from dataclasses import dataclass

from idle_stop.analysis import Finding
from reports.cautions import CAUTIONS, DEFERENCE
from reports.findings import by_urgency
from reports.fitted_wording import fitted_wording
from reports.summary import what_first
from reports.view import View
from reports.wording import Wording


@dataclass(frozen=True, slots=True)
class Checks:
    """A part of the page like `reports.part.Part`. findings: the most urgent first, each with its words.

    cautions: each that a check needs, once.
    """

    name: str
    question: str
    answer: str
    findings: tuple[tuple[Finding, Wording], ...]
    cautions: tuple[str, ...]
    deference: str


def checks_part(view: View) -> Checks:
    """Findings by urgency, each with its checks."""
    say = view.say
    findings = tuple((one, fitted_wording(one, view.analysis)) for one in by_urgency(view.analysis.findings))
    needed = {key for _, words in findings for key in words.cautions}
    asking = sum(one.weight != "note" for one, _ in findings)
    if asking:
        answer = say.many(
            "One finding asks for a check; its most telling check comes first.",
            "{n} findings ask for checks, the most urgent first; each with its most telling check first.",
            asking,
        )
    else:
        nothing = (
            say("Nothing asks for work at the vehicle; the notes below explain what was seen.")
            if findings
            else say("Nothing in this recording points to a fault.")
        )
        answer = f"{nothing} {what_first(view.analysis, say)}"
    return Checks(
        name="checks",
        question=say("What to check next?"),
        answer=answer,
        findings=findings,
        cautions=tuple(say.text(caution) for key, caution in CAUTIONS.items() if key in needed),
        deference=say.text(DEFERENCE),
    )
