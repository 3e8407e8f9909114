"""Why was idle-stop refused?"""

from __future__ import annotations

from reports.failing import alone_as_far_as_seen, failing_by_condition
from reports.picture import Picture, Row
from reports.theme import GREY, ORANGE, VERMILLION
from reports.view import View


def reason_bars(view: View) -> Picture:
    """Why was it refused? Refusals by condition: alone at fault, with others, and those whose cause is not visible."""
    say, account = view.say, view.account
    refused = account.refused
    hidden = sum(not one.reasons for one in refused)
    counts = sorted(account.reason_counts.items(), key=lambda item: (-item[1][0], item[0]))[:12]
    failed = failing_by_condition(account.standstills, "refused", say, brief=True)
    shown = [failed.get(name) or say.name(name) for name, _ in counts]
    names = shown + ([say("cause not visible")] if hidden else [])
    places = [float(len(names) - 1 - number) for number in range(len(names))]
    most = max([count for _, (count, _, _) in counts] + [hidden, 1])
    row = Row(
        title=say("Refused standstills"),
        height=20 + 52 * max(len(names), 1),
        span=(-0.6, len(names) - 0.25),
        labels=dict.fromkeys(places, ""),
    )
    canvas = view.over("reasons", [row], say("Standstills"), (0.0, most * 1.05), left=16)
    canvas.layout["xaxis"] |= {"tickformat": "d", "dtick": max(1, round(most / 8))}
    alone = [sole for _, (_, sole, _) in counts]
    seen_alone = alone_as_far_as_seen(account.standstills)
    seen = [seen_alone[name] for name, _ in counts]
    together = [count - sole - more for (_, (count, sole, _)), more in zip(counts, seen, strict=True)]
    at = places[: len(counts)]
    words = [_words(*row, view) for row in zip(shown, alone, seen, together, strict=True)]
    if any(alone):
        canvas.bars(0, alone, at, say("the only condition not met"), VERMILLION, words=words, width=0.46)
    if any(seen):
        seen_word = say("the only one seen not met; others not visible")
        canvas.bars(0, seen, at, seen_word, VERMILLION, base=alone, words=words, hatched=True, width=0.46)
    if any(together):
        base = [one + more for one, more in zip(alone, seen, strict=True)]
        together_word = say("not met together with others")
        canvas.bars(0, together, at, together_word, ORANGE, base=base, words=words, width=0.46)
    if hidden:
        sentence = say.many("{n} refusal without a visible cause", "{n} refusals without a visible cause", hidden)
        canvas.bars(
            0, [hidden], places[-1:], say("cause not visible"), GREY, hatched=True, words=[sentence], width=0.46
        )
    for name, place in zip(names, places, strict=True):
        canvas.label(0, 0.0, place + 0.23, name)
    return canvas.done()


def _words(name: str, alone: int, seen: int, together: int, view: View) -> str:
    return view.say(
        "{name}: alone {alone}, alone as far as seen {seen}, with others {together}"
        if seen
        else "{name}: alone {alone}, with others {together}",
        name=name,
        alone=alone,
        seen=seen,
        together=together,
    )
