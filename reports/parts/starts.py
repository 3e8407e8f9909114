"""Part 5: how did the engine start?"""

from __future__ import annotations

import math
from collections.abc import Iterable

from estimator.cranking import REFERENCE_A
from estimator.estimate import StartKind
from idle_stop.restarts import Warmth, restart_quality
from reports.figures.starts import KINDS, cranks_overlaid, lowest_voltage_by_temperature, resistance_over_time
from reports.language import Language
from reports.part import Part, Shown
from reports.table import Cell, Column, Table, figures, numbers, texts
from reports.view import View
from signal_defs.text import Text

WARMTH: dict[Warmth, Text] = {
    "cold": Text("cold"),
    "warm": Text("warm"),
    "unknown": Text("unknown"),
}


def starts_part(view: View) -> Part:
    """Every crank, laid over each other; dips against temperature; resistance over time."""
    say, starts = view.say, view.estimate.starts
    question = say("How did the engine start?")
    if not starts:
        return Part("starts", question, say("No start of the engine was seen in this recording."))
    shown = (
        Shown(
            cranks_overlaid(view),
            say.many("The crank", "Every crank laid over the others", len(starts)),
            say(
                "Voltage and current from just before the starter turns. A sound battery dips less at the same current."
            ),
            _table(view),
        ),
        Shown(
            lowest_voltage_by_temperature(view),
            say("Lowest voltage against temperature"),
            say("Cold makes every battery dip deeper; compare starts at the same temperature."),
        ),
        Shown(
            resistance_over_time(view),
            say("Resistance from start to start"),
            say(
                "Change of voltage over change of current once the engine turns, deeper than the first dip; told for a "
                "crank of {amps:.0f} A at 25 °C and full charge. Rising over months: the battery ages.",
                amps=REFERENCE_A,
            ),
        ),
    )
    notes, lines = (tuple(filter(None, [said])) for said in (_slow(view), _limits(view)))
    return Part("starts", question, _answer(view), shown, (_quality(view),), notes, lines)


def _slow(view: View) -> str:
    """That a dip may have been missed."""
    slow = sum(not one.resolved for one in view.estimate.starts)
    if not slow:
        return ""
    return view.say.many(
        "{n} start was sampled too slowly to see its whole dip; its lowest voltage may have been lower.",
        "{n} starts were sampled too slowly to see the whole dip; their lowest voltage may have been lower.",
        slow,
    )


def _limits(view: View) -> str:
    """Why there are two limits of a restart's voltage."""
    keeps = view.analysis.platform.idle_stop.restart_min_v
    asked = next((one.at_least for one in view.conditions if one.role == "battery_crank_min_voltage"), None)
    if keeps is None or asked is None or asked <= keeps:
        return ""
    return view.say(
        "Two limits, one purpose: a restart must keep {keeps:.1f} V, and idle-stop asks beforehand that {asked:.2f} V "
        "be expected of it, which leaves a reserve.",
        keeps=keeps,
        asked=asked,
    )


def _answer(view: View) -> str:
    say, starts = view.say, view.estimate.starts
    restarts = sum(one.kind == "restart" for one in starts)
    dips = [one for one in starts if math.isfinite(one.min_v)]
    count = say.many("{n} start was seen", "{n} starts were seen", len(starts))
    if len(starts) == 1:
        by = say("by idle-stop") if restarts else say("not by idle-stop")
    else:
        by = say("{n} of them by idle-stop", n=restarts) if restarts else say("none of them by idle-stop")
    if not dips:
        return say("{count}, {by}; the voltage under the starter is unknown.", count=count, by=by)
    deepest = min(dips, key=lambda one: one.min_v)
    limit = view.analysis.platform.idle_stop.restart_min_v
    values = {"count": count, "by": by, "volts": deepest.min_v, "kind": say(KINDS[deepest.kind].word)}
    if limit is None:
        return say("{count}, {by}; the lowest voltage observed was {volts:.2f} V ({kind}).", **values)
    return say(
        "{count}, {by}; the lowest voltage observed was {volts:.2f} V ({kind}); a restart must keep {limit:.1f} V.",
        **values,
        limit=limit,
    )


def _quality(view: View) -> Table:
    """Starts of one kind and warmth taken together, against the platform's limits or what is usual."""
    say = view.say
    found = restart_quality(view.analysis.recording, view.estimate, view.analysis.platform.idle_stop)
    limits = {True: say("the platform"), False: say("common practice")}
    columns = [
        _kinds([one.kind for one in found], say),
        Column(say("Engine"), [Cell(say.text(WARMTH[one.warmth]), one.warmth) for one in found]),
        numbers(say, say("Starts"), [one.starts for one in found]),
        numbers(say, say("Median until running"), [one.median_s for one in found], 2, "s"),
        numbers(say, say("Longest"), [one.longest_s for one in found], 2, "s"),
        numbers(say, say("Limit of time"), [one.limit_s for one in found], 2, "s"),
        _counts(say("Starts above it"), [(one.slow, one.timed) for one in found], say),
        numbers(say, say("Lowest voltage, at a control unit where known"), [one.lowest_v for one in found], 2, "V"),
        numbers(say, say("Limit of voltage"), [one.limit_v for one in found], 2, "V"),
        _counts(say("Dips below it"), [(one.dipped, one.measured) for one in found], say),
        texts(say("Limits from"), [limits[one.limits_given] for one in found]),
    ]
    return Table("quality", say("Starts by kind and warmth"), columns)


def _counts(name: str, counts: Iterable[tuple[int, int]], say: Language) -> Column:
    return Column(name, [Cell(say("{n} of {of}", n=n, of=of), n) for n, of in counts], numeric=True)


def _kinds(kinds: Iterable[StartKind], say: Language) -> Column:
    return Column(say("Kind"), [Cell(f"{KINDS[kind].sign} {say(KINDS[kind].word)}", kind) for kind in kinds])


def _table(view: View) -> Table:
    say, starts = view.say, view.estimate.starts
    columns = [
        view.moments(say("Time"), [one.start_ns for one in starts]),
        _kinds([one.kind for one in starts], say),
        numbers(say, say("Lowest voltage observed"), [one.min_v for one in starts], 2, "V"),
        numbers(say, say("Largest current"), [one.peak_a for one in starts], 0, "A"),
        numbers(say, say("Starter on"), [one.crank_s for one in starts], 2, "s"),
        numbers(say, say("Until running"), [one.to_idle_s for one in starts], 2, "s"),
        figures(say, say("Resistance"), [one.resistance_mohm for one in starts], 1, "mΩ"),
        numbers(say, say("Temperature"), [one.temperature_c for one in starts], 0, "°C"),
    ]
    return Table("starts", say("All starts"), columns)
