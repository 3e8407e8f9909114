"""The answer in two sentences: how often idle-stop was refused and by what, and what to do first."""

from __future__ import annotations

from collections import Counter

from idle_stop.account import Account, Outcome
from idle_stop.analysis import Analysis, Finding
from reports.checks_by_role import BY_ROLE
from reports.failing import failing_by_condition
from reports.findings import by_urgency, certainty, wording
from reports.fitted_wording import blocking_condition, blocking_role, finding_title, fitted_wording
from reports.language import Language
from reports.plain import plain
from reports.theme import URGENCIES, WEIGHTS, Mark


def what_happened(analysis: Analysis, say: Language) -> str:
    """How often idle-stop was refused, and what did it."""
    account = analysis.account
    total, refused, cut = len(account.asked), account.count("refused"), account.count("cut_short")
    if not total:
        return _nothing_to_judge(account, say)
    if account.battery_only:
        return say.many(
            "One idle-stop was seen; this recording holds the battery's signals only, so a refusal could not be seen.",
            "{n} idle-stops were seen; this recording holds the battery's signals only, so refusals could not be seen.",
            account.count("stopped") + account.count("cut_short"),
        )
    if not refused and not cut:
        return say.many(
            "Idle-stop worked at the one standstill where it was expected.",
            "Idle-stop worked at all {n} standstills where it was expected.",
            total,
        )
    if not refused:
        return say(
            "Idle-stop was never refused, but the vehicle ended its one stop early{why}."
            if total == 1
            else "Idle-stop was never refused, but the vehicle ended it early at {cut} of {total} standstills{why}.",
            cut=cut,
            total=total,
            why=_cause(account, "cut_short", say),
        )
    refusals = say(
        "Idle-stop was refused at the one standstill where it was expected{why}."
        if total == 1
        else "Idle-stop was refused at {refused} of {total} standstills{why}.",
        refused=refused,
        total=total,
        why=_cause(account, "refused", say),
    )
    if not cut:
        return refusals
    early = say.many(
        "The vehicle ended {n} more stop early{why}.",
        "The vehicle ended {n} more stops early{why}.",
        cut,
        why=_cause(account, "cut_short", say),
    )
    return f"{refusals} {early}"


def _nothing_to_judge(account: Account, say: Language) -> str:
    if account.battery_only:
        return say("This recording holds the battery's signals only, so no refusal of idle-stop could be seen.")
    if account.standstills:
        return say("No idle-stop was expected at any standstill of this recording.")
    return say("This recording holds no standstill at which idle-stop could be judged.")


def _cause(account: Account, outcome: Outcome, say: Language) -> str:
    """The tail of the sentence: ", 27 of them with the hood reported open", or that the cause is not visible."""
    cases = [one for one in account.standstills if one.outcome == outcome]
    hidden = sum(not one.reasons for one in cases)
    counts = Counter(reason.condition for one in cases for reason in one.reasons)
    if not counts or hidden > len(cases) / 2:
        return say(", and this recording does not show by what")
    ranked = sorted(counts, key=lambda name: (-counts[name], name))
    samples = failing_by_condition(account.standstills, outcome, say)
    most, what = counts[ranked[0]], samples[ranked[0]]
    if most == len(cases):
        return say(", each time with {what}", what=what) if most > 1 else say(", with {what}", what=what)
    if most > len(cases) / 2:
        return say(", {most} of them with {what}", most=most, what=what)
    reasons = say.list([samples[name] for name in (ranked[:3] if hidden else ranked)])
    if hidden:
        return say(
            ", {n} of them without a visible cause, the others for different reasons: {reasons}",
            n=hidden,
            reasons=reasons,
        )
    return say(", for different reasons: {reasons}", reasons=reasons)


def leading(analysis: Analysis) -> Finding | None:
    """The finding to begin with: the most urgent that asks for anything to be done; None if none does."""
    asking = [one for one in by_urgency(analysis.findings) if one.weight != "note" and wording(one.code).checks]
    return asking[0] if asking else None


def urgency(analysis: Analysis) -> tuple[str, Mark]:
    """How urgent the answer is: "act" or "check" with its finding, "calm" if nothing needs to be done, else "open"."""
    finding = leading(analysis)
    if finding:
        return finding.weight, WEIGHTS[finding.weight]
    account = analysis.account
    hidden = any(not one.reasons for one in account.refused)
    never = account.count("refused") and not account.count("stopped")
    calm = not account.battery_only and account.asked and not hidden and not never
    return ("calm", URGENCIES["calm"]) if calm else ("open", URGENCIES["open"])


def what_first(analysis: Analysis, say: Language) -> str:
    """What to do first."""
    finding = leading(analysis)
    account = analysis.account
    if finding:
        check = say.text(fitted_wording(finding, analysis).checks[0].do)
        blocker = blocking_condition(finding) if finding.code == "single_blocker" else ""
        if blocker and blocking_role(finding, analysis) not in BY_ROLE:
            return say("First, for “{condition}”: {check}", condition=say.name(blocker), check=check)
        return say("First: {check}", check=check)
    if account.battery_only:
        noted = [one for one in by_urgency(analysis.findings) if wording(one.code).checks]
        if noted:
            return say(
                "First: {check} Record the vehicle's own bus with it: only then can refusals be seen.",
                check=say.text(fitted_wording(noted[0], analysis).checks[0].do),
            )
        return say("First: record the vehicle's own bus as well, with engine and vehicle speed on it.")
    if not account.asked:
        return say("First: record a drive of 20 min with at least eight standstills, hood and doors shut, belt on.")
    return _without_finding(account, say)


def _without_finding(account: Account, say: Language) -> str:
    """What to do where nothing points to a fault."""
    refused = account.refused
    hidden = [one for one in refused if not one.reasons]
    unseen = list(dict.fromkeys(name for one in hidden for name in one.unknown_conditions))
    if unseen:
        return say(
            "First: record the same drive again with the signals for {names} in the log: only they can tell why.",
            names=say.list([say.quoted(name) for name in unseen]),
        )
    if hidden:
        return say(
            "First: compare the refusals without a visible cause with the platform's conditions: one is missing."
        )
    if refused and not account.count("stopped"):
        names = list(dict.fromkeys(reason.condition for one in refused for reason in one.reasons))
        return say(
            "First: drive again with {names} met, and see whether idle-stop returns.",
            names=say.list([say.quoted(name) for name in names]),
        )
    if refused or account.count("cut_short"):
        return say("Nothing needs to be done: what stood in the way came and went, and idle-stop worked in between.")
    return say("Nothing needs to be done.")


def cause(analysis: Analysis, say: Language) -> tuple[str, str]:
    """What is wrong, or what explains the refusals, and how far that can be trusted; empty where nothing was found."""
    findings = by_urgency(analysis.findings)
    if not findings:
        return say("Nothing in this recording points to a fault."), _how_complete(analysis.account, say)
    finding = leading(analysis) or findings[0]
    title = finding_title(finding, analysis, say)
    if finding.evidence:
        evidence = " ".join(say.text(line) for line in finding.evidence[:2])
        title = say("{title}. {evidence}", title=title, evidence=evidence)
    return title, certainty(finding, say)


def _how_complete(account: Account, say: Language) -> str:
    """How far finding nothing can be trusted."""
    if account.battery_only:
        return say("For the battery only: nothing else of the vehicle is in this recording.")
    if not account.asked:
        return say("Not sure: there was no standstill to judge by.")
    hidden = sum(not one.explained for one in account.standstills)
    if hidden:
        return say.many(
            "Not fully: the cause of {n} standstill's outcome is not visible.",
            "Not fully: the cause of {n} standstills' outcome is not visible.",
            hidden,
        )
    return say("Every standstill's outcome follows from the platform's conditions.")


def one_line(analysis: Analysis, language: str = "en") -> str:
    """The answer for a terminal: the vehicle and what happened."""
    say = Language(language)
    return f"{plain(analysis.vehicle)}: {what_happened(analysis, say)}"
