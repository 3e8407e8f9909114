"""Part 8: how sound is the data?"""

from __future__ import annotations

from reports.figures.soundness import MOST_LANES, signal_coverage, telling_roles
from reports.part import Part, Shown
from reports.role_words import role_words
from reports.table import Cell, Column, Table, number, table, word
from reports.view import View

_MOST = 60


def data_part(view: View) -> Part:
    """Signals found and missing, gaps, rejected frames, clock steps, and what was therefore not judged."""
    say = view.say
    picture = signal_coverage(view)
    signals = _signals(view)
    shown: tuple[Shown, ...] = ()
    if picture is not None:
        caption = say(
            "A line where the signal has valid samples; empty where it is missing or marked as not available."
        )
        more = len(telling_roles(view)) - MOST_LANES
        if more > 0:
            caption += " " + say("{n} more are in the table.", n=more)
        shown = (Shown(picture, say("Where each signal is known"), caption, signals),)
    tables = (_faults(view),) if shown else (signals, _faults(view))
    texts = (*view.analysis.unknown, *view.estimate.unknown, *view.account.unknown)
    unknown = dict.fromkeys(say.text(text) for text in texts)
    return Part("data", say("How sound is the data?"), _answer(view), shown, tables, tuple(unknown))


def _answer(view: View) -> str:
    say, recording = view.say, view.analysis.recording
    faults = recording.faults
    rejected = sum(faults.rejected.values())
    lost = sum(gap.seconds for gap in faults.gaps if not gap.role)
    missing = list(faults.never_seen)
    parts = [say("{n} frames read, {m} of them used", n=recording.frames, m=recording.frames_decoded)]
    if rejected:
        parts.append(say.many("{n} rejected as damaged", "{n} rejected as damaged", rejected))
    if lost:
        parts.append(say("{gap} without any frame", gap=say.duration(lost)))
    if faults.clock_steps_ns:
        parts.append(say.many("{n} clock step", "{n} clock steps", len(faults.clock_steps_ns)))
    if missing:
        parts.append(say("never seen: {names}", names=say.list([role_words(role, say) for role in missing])))
    return "; ".join(parts) + "."


def _signals(view: View) -> Table:
    say, recording = view.say, view.analysis.recording
    columns = [
        Column(say("Role")),
        Column(say("Signal")),
        Column(say("Samples"), numeric=True),
        Column(say("Not valid"), numeric=True),
        Column(say("Period"), "s", numeric=True),
        Column(say("Gaps"), numeric=True),
        Column(say("Longest gap"), "s", numeric=True),
    ]
    rows = []
    for role, trace in sorted(recording.traces.items()):
        gaps = [gap.seconds for gap in recording.faults.gaps if gap.role in {role, ""}]
        bad = int((~trace.valid).sum())
        rows.append(
            [
                word(role_words(role, say)),
                word(trace.source),
                number(len(trace), 0, say),
                number(bad, 0, say),
                number(trace.period_s, 3, say),
                Cell(str(len(gaps)), len(gaps)),
                number(max(gaps, default=0.0), 1, say),
            ]
        )
    rows += [
        [word(role_words(role, say)), word(say("never seen")), Cell("0", 0), *[Cell("–", "")] * 4]
        for role in recording.faults.never_seen
        if role not in recording.traces
    ]
    return table("signals", say("Signals by role"), columns, rows)


def _faults(view: View) -> Table:
    say, faults = view.say, view.analysis.recording.faults
    dash = Cell("–", "")
    rows = _unread(view)
    rows += [[word(say("clock step")), word(view.when(step)), Cell("1", 1)] for step in faults.clock_steps_ns[:_MOST]]
    rows += [[word(say("value never changes")), word(role_words(role, say)), dash] for role in faults.frozen]
    if faults.response_error_edges:
        count = number(faults.response_error_edges, 0, say)
        rows.append([word(say("sensor reports an error of its own frame")), word(""), count])
    strangers = sorted(faults.unknown_identifiers.items(), key=lambda item: -item[1])
    rows += [
        [word(say("identifier that no database defines")), word(f"{channel} 0x{identifier:X}"), number(count, 0, say)]
        for (channel, identifier), count in strangers[:_MOST]
    ]
    more = say("{n} further identifiers are left out here.", n=len(strangers) - _MOST) if len(strangers) > _MOST else ""
    columns = [Column(say("What")), Column(say("Where")), Column(say("Count"), numeric=True)]
    return table("faults", say("Faults of the data, and frames no definition knows"), columns, rows, more)


def _unread(view: View) -> list[list[Cell]]:
    """Rejected frames, and what the readers could not read or remarked."""
    say, recording = view.say, view.analysis.recording
    kinds = {
        "lin_checksum": say("LIN frame with a wrong checksum"),
        "lin_parity": say("LIN identifier with wrong parity"),
        "lin_no_response": say("LIN header without a response"),
        "payload_checksum": say("frame whose payload contradicts its own checksum"),
        "payload_counter": say("frame sent again: its counter stands still"),
        "payload_short": say("frame too short for its own checksum"),
        "truncated": say("frame shorter than its definition"),
        "error_frame": say("error frame"),
        "remote_frame": say("remote frame"),
    }
    # What was unreadable follows for each log, kind by kind.
    rejected = sorted(item for item in recording.faults.rejected.items() if item[0] != "unreadable")
    rows = [[word(kinds.get(kind, kind)), word(""), number(count, 0, say)] for kind, count in rejected]
    for source in recording.sources:
        for kind, count in sorted(source.dropped.items()):
            rows.append([word(say("could not be read")), word(f"{source.name}: {kind}"), number(count, 0, say)])
        for spot in source.damage[:_MOST]:
            where = word(f"{source.name}, {spot.where}: {spot.what}")
            rows.append([word(say("damaged part")), where, number(max(spot.lost, 0), 0, say)])
        remarks = [word(f"{source.name}: {note}") for note in source.notes]
        rows += [[word(say("remark of the reader")), remark, Cell("–", "")] for remark in remarks]
    return rows
