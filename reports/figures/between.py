"""What happens between drives, and do the drives put back what is drawn?"""

from __future__ import annotations

import math

import numpy as np

from estimator.estimate import Rest
from reports.picture import Picture, Row
from reports.theme import BLUE, GREEN, INK, PURPLE, VERMILLION, Mark
from reports.view import View, span_of

USUAL_MA, TOO_MUCH_MA = 50.0, 100.0  # source: published key-off drain articles
_LONG_NS = 2 * 3_600_000_000_000  # shorter rests are mostly falling asleep; common practice, no source
_BARS = 60
_MEAN = Mark(PURPLE, "diamond", "◆", "whole time parked")
_ASLEEP = Mark(BLUE, "circle", "●", "asleep")


def is_long(rest: Rest) -> bool:
    """Whether its mean current says what the vehicle draws: known, and not mostly of falling asleep."""
    return math.isfinite(rest.mean_ma) and rest.end_ns - rest.start_ns >= _LONG_NS


def parked_current(view: View) -> Picture | None:
    """What is drawn while parked? Mean current of each rest, whole and asleep, against what is usual."""
    rests = [one for one in view.estimate.rests if is_long(one) or math.isfinite(one.asleep_ma)]
    if not rests:
        return None
    whole = np.where([is_long(one) for one in rests], [-one.mean_ma for one in rests], np.nan)
    asleep = np.array([-one.asleep_ma for one in rests])
    low, high = span_of(whole, asleep, np.array([0.0, TOO_MUCH_MA * 1.15]), least=40.0)
    canvas = view.over_time("parked", [Row(view.say("Current drawn while parked [mA]"), 200, (low, high))])
    for rest in rests[:200]:
        canvas.span(view.instant(rest.start_ns), view.instant(rest.end_ns), INK)
    at = view.clock.axis(np.array([(one.start_ns + one.end_ns) // 2 for one in rests], dtype=np.int64))
    for mark, values in ((_MEAN, whole), (_ASLEEP, asleep)):
        words = [
            view.say("{when}: {ma:.0f} mA", when=view.when(rest.start_ns), ma=value)
            for rest, value in zip(rests, values.tolist(), strict=True)
        ]
        if np.isfinite(values).any():
            canvas.marks(0, at, values, view.say(mark.word), mark, words=words)
    canvas.level(0, USUAL_MA, view.say("usual, up to {ma:.0f} mA", ma=USUAL_MA), below=True)
    canvas.level(0, TOO_MUCH_MA, view.say("too much, from {ma:.0f} mA", ma=TOO_MUCH_MA))
    return canvas.done()


def drive_balance(view: View) -> Picture | None:
    """Do the drives put back what is drawn? Charge into and out of the battery in each drive."""
    drives = view.estimate.drives[-_BARS:]
    if not drives:
        return None
    gained = [0.0 if math.isnan(one.charged_ah) else one.charged_ah for one in drives]
    drawn = [0.0 if math.isnan(one.discharged_ah) else -one.discharged_ah for one in drives]
    span = span_of(np.array([*gained, *drawn, 0.0]), least=1.0)
    row = Row(view.say("Charge in each drive [Ah]"), 200, span)
    count = len(drives)
    canvas = view.over("balance", [row], view.say("Drives, in order"), (0.4, max(count, 6) + 0.6))
    places = [float(number) for number in range(1, count + 1)]
    canvas.name_places(places, [str(number) for number in range(1, count + 1)], 12)
    words = [
        view.say("{when}: {gain:+.1f} Ah, {loss:+.1f} Ah", when=view.when(one.start_ns), gain=up, loss=down)
        for one, up, down in zip(drives, gained, drawn, strict=True)
    ]
    canvas.bars(0, gained, places, view.say("into the battery"), GREEN, words=words, upright=True)
    canvas.bars(0, drawn, places, view.say("out of it"), VERMILLION, hatched=True, words=words, upright=True)
    net = [up + down for up, down in zip(gained, drawn, strict=True)]
    mark = Mark(INK, "diamond", "◆", "net")
    canvas.marks(0, places, net, view.say(mark.word), mark, words=words, size=9)
    return canvas.done()
