"""Which findings went and which stayed, in words."""

from __future__ import annotations

from idle_stop.analysis import Finding
from idle_stop.comparison import Comparison, State
from reports.findings import wording
from reports.language import Language
from reports.part import Part
from reports.table import Table, texts
from signal_defs.text import Text

_STATE_WORDS: dict[State, Text] = {
    "went": Text("gone"),
    "not seen again": Text("not seen again"),
    "stayed": Text("still there"),
    "came": Text("new"),
}
_SENTENCES: dict[State, tuple[Text, Text]] = {  # one finding, several
    "went": (Text("One finding is gone: {titles}."), Text("{n} findings are gone: {titles}.")),
    "not seen again": (
        Text("One was not seen again, but may only lack the data to show: {titles}."),
        Text("{n} were not seen again, but may only lack the data to show: {titles}."),
    ),
    "stayed": (Text("Still there: {titles}."), Text("{n} are still there: {titles}.")),
    "came": (Text("New: {titles}."), Text("{n} are new: {titles}.")),
}


def findings_sentence(compared: Comparison, say: Language) -> str:
    """Which findings went, were not seen again, stayed or came, by name."""
    said = []
    for state, (one, more) in _SENTENCES.items():
        found = [one.code for one in compared.findings if one.state == state]
        titles = [say.quoted(say.text(wording(code).title)) for code in found]
        if titles:
            template = one if len(titles) == 1 else more
            said.append(say(template.template, n=len(titles), titles=say.list(titles)))
    return " ".join(said) or say("Neither recording shows a finding.")


def findings_part(compared: Comparison, say: Language) -> Part:
    """Which findings are gone, and which stay?"""
    found = compared.findings
    columns = [
        texts(say("Finding"), [say.text(wording(one.code).title) for one in found]),
        texts(say("Now"), [say.text(_STATE_WORDS[one.state]) for one in found]),
        texts(say("How sure"), [say("sure") if one.sure else say("not sure") for one in found]),
        texts(say("Before"), [_certainty(one.before, say) for one in found]),
        texts(say("After"), [_certainty(one.after, say) for one in found]),
        texts(say("Lacking in the recording without it"), [say.text(one.why) if one.why else "–" for one in found]),
    ]
    table = Table("findings", say("Findings before and after"), columns)
    question = say("Which findings are gone, which stay?")
    return Part("findings", question, findings_sentence(compared, say), tables=(table,))


def _certainty(finding: Finding | None, say: Language) -> str:
    if finding is None:
        return "–"
    return say("possible") if finding.possible else say("well supported")
