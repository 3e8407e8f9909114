"""The battery sensor held against the estimate."""

from __future__ import annotations

import math

from estimator.estimate import Figure, SensorJudgement
from reports.table import Table, texts
from reports.view import View


def sensor_table(view: View) -> Table | None:
    """What can be said of the sensor, one row a question; None where it was not judged."""
    found = view.estimate.sensor
    if found is None:
        return None
    say = view.say
    rows = [*_own_figures(found, view), *_states(found, view)]
    columns = [
        texts(say("Question to the sensor"), [question for question, _ in rows]),
        texts(say("What was seen"), [answer for _, answer in rows]),
    ]
    return Table("sensor", say("The battery sensor, held against the estimate"), columns)


def _own_figures(found: SensorJudgement, view: View) -> list[tuple[str, str]]:
    say = view.say
    figures: list[tuple[str, Figure, int, str]] = [
        (say("Its state of charge, less the estimate [points]"), found.soc_difference, 0, ""),
        (say("Its state of health, less the estimate [points]"), found.soh_difference, 0, ""),
        (say("Capacity by which its charge counts"), found.counted_capacity_ah, 0, "Ah"),
        (say("Charge that the voltage claims after a full charge"), found.ocv_at_full_soc, 0, "%"),
        (say("Resistance between its voltage and a control unit's"), found.board_resistance_mohm, 1, "mΩ"),
    ]
    rows = []
    for question, figure, digits, unit in figures:
        unknown = say.text(figure.unknown) if figure.unknown else say("unknown")
        rows.append((question, say.figure(figure, digits, unit) if figure.is_known else unknown))
    return rows


def _states(found: SensorJudgement, view: View) -> list[tuple[str, str]]:
    say = view.say
    unknown = say("unknown")
    stuck = {None: unknown, False: say("no")}.get(found.soc_constant)
    if stuck is None:
        stuck = say("yes, at {soc:.0f} %", soc=found.soc_constant_value)
    reset = {None: unknown, False: say("no")}.get(found.reset_seen)
    if reset is None:
        since = found.reset_ns
        reset = say("yes") if since is None else say("yes, first at {when}", when=view.when(since))
    jumps = [
        say("{when}: {before:.0f} to {after:.0f} %", when=view.when(one.time_ns), before=one.before, after=one.after)
        for one in found.soc_steps
    ]
    implausible, coded = found.implausible_share, found.coded_capacity_percent
    turned = {None: unknown, False: say("no"), True: say("yes")}[found.sign_wrong]
    return [
        (say("Does its charge stand still while the true one moves?"), stuck),
        (say("Does its charge jump?"), say.list(jumps) or say("no")),
        (say("Did it lose what it had learned?"), reset),
        (
            say("How long did it call its own charge not plausible?"),
            unknown if math.isnan(implausible) else say("{share:.0%} of the time", share=implausible),
        ),
        (
            say("What capacity is coded into it?"),
            unknown if math.isnan(coded) else say("{percent:.0f} % of the rated", percent=coded),
        ),
        (say("Does it read cranking as charging?"), turned),
    ]


def change_lines(view: View) -> tuple[str, ...]:
    """Where one battery seems to follow another."""
    say = view.say
    return tuple(
        say(
            "At {when} another battery seems to begin: {evidence} The figures are those of the last.",
            when=view.when(one.time_ns),
            evidence=" ".join(say.text(text) for text in one.evidence),
        )
        for one in view.estimate.battery_changes
    )
