"""Is idle-stop refused less often?"""

from __future__ import annotations

from reports.picture import Picture, Row
from reports.shares import Share
from reports.theme import GREEN, VERMILLION, Mark
from reports.view import View


def compared_shares(view: View, before: Share, after: Share) -> Picture:
    """Is idle-stop refused less often? The refused share before and after, with intervals."""
    say = view.say
    row = Row(say("Refused, of the stops to be expected"), 150, (-0.5, 1.9), {0.0: "", 1.0: ""})
    canvas = view.over("shares", [row], say("Percent"), (-2.0, 103.0), left=16)
    marks = (Mark(VERMILLION, "square", "■", "before"), Mark(GREEN, "circle", "●", "after"))
    for mark, share, place in zip(marks, (before, after), (1.0, 0.0), strict=True):
        name = say(mark.word)
        canvas.label(0, 0.0, place + 0.22, name)
        low, high = 100 * share.low, 100 * share.high
        interval = f"{name}, {say('95 % interval')}"
        canvas.line(0, [low, high], [place, place], interval, mark.colour, width=4, value="%{x:.0f} %", legend=False)
        if share.of:
            words = [f"{name}: {share.count} / {share.of}"]
            canvas.marks(0, [100 * share.value], [place], name, mark, words=words, size=13)
    return canvas.done()
