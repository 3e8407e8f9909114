"""Is idle-stop refused less often?"""

from __future__ import annotations

from idle_stop.comparison import RefusalChange
from reports.picture import Picture, Row
from reports.theme import GREEN, VERMILLION, Mark
from reports.view import View

_WORDS_FROM = 72.0  # [%] the furthest right at which a count's words still fit a phone


def compared_shares(view: View, refusals: RefusalChange) -> Picture:
    """Is idle-stop refused less often? The refused share before and after, with intervals."""
    say = view.say
    marks = (Mark(VERMILLION, "square", "■", "before"), Mark(GREEN, "circle", "●", "after"))
    names = [say("before"), say("after")]
    row = Row(say("Refused, of the stops expected"), 150, (-0.5, 1.7), {1.0: names[0], 0.0: names[1]})
    canvas = view.over("shares", [row], say("Percent"), (-4.0, 106.0), left=76)
    sides = (refusals.before, refusals.after)
    for mark, name, share, of, place in zip(marks, names, sides, refusals.counted, (1.0, 0.0), strict=True):
        if not share.is_known:
            canvas.label(0, 0.0, place, say("no standstill to compare"))
            continue
        low, middle, high = (100 * part for part in (share.low, share.value, share.high))
        interval = f"{name}, {say('95 % interval')}"
        canvas.line(0, [low, high], [place, place], interval, mark.colour, width=4, value="%{x:.0f} %", legend=False)
        counted = say("{n} of {of}", n=round(share.value * of), of=of)
        canvas.marks(0, [middle], [place], name, mark, words=[f"{name}: {counted}"], size=13, legend=False)
        canvas.label(0, min(middle, _WORDS_FROM), place + 0.2, counted)
    return canvas.done()
