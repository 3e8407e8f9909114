"""Part 8: how sound is the data?"""

from __future__ import annotations

from reports.figures.soundness import signal_coverage
from reports.part import Part, Shown
from reports.role_words import role_words
from reports.table import Table, numbers, texts
from reports.view import View

_MOST = 60


def data_part(view: View) -> Part:
    """Signals found and missing, gaps, rejected frames, clock steps, and what was therefore not judged."""
    say = view.say
    caption = say(
        "A line where there are valid samples; empty where they are missing or marked as not available. Signals known "
        "at the same times share a line; the table has each of them."
    )
    shown = Shown(signal_coverage(view), say("Where each signal is known"), caption, _signals(view))
    stages = (*view.analysis.unknown, *view.estimate.unknown, *view.account.unknown)
    unknown = dict.fromkeys(map(say.text, stages))
    return Part("data", say("How sound is the data?"), _answer(view), (shown,), (_faults(view),), tuple(unknown))


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
    missing = [role for role in recording.faults.never_seen if role not in recording.traces]
    roles, traces = zip(*sorted(recording.traces.items()), strict=True) if recording.traces else ((), ())
    gaps = [[gap.seconds for gap in recording.faults.gaps if gap.role in {role, ""}] for role in roles]
    none = [None] * len(missing)
    columns = [
        texts(say("Role"), [role_words(role, say) for role in (*roles, *missing)]),
        texts(say("Signal"), [*(one.source for one in traces), *[say("never seen")] * len(missing)]),
        numbers(say, say("Samples"), [*map(len, traces), *[0] * len(missing)]),
        numbers(say, say("Not valid"), [*(int((~one.valid).sum()) for one in traces), *none]),
        numbers(say, say("Period"), [*(one.period_s for one in traces), *none], 3, "s"),
        numbers(say, say("Gaps"), [*map(len, gaps), *none]),
        numbers(say, say("Longest gap"), [*(max(lengths, default=0.0) for lengths in gaps), *none], 1, "s"),
    ]
    return Table("signals", say("Signals by role"), columns)


def _faults(view: View) -> Table:
    say, faults = view.say, view.analysis.recording.faults
    rows = _unread(view)
    rows += [(say("clock step"), view.when(step), 1) for step in faults.clock_steps_ns[:_MOST]]
    rows += [(say("value never changes"), role_words(role, say), None) for role in faults.frozen]
    if faults.response_error_edges:
        rows.append((say("sensor reports an error of its own frame"), "", faults.response_error_edges))
    strangers = sorted(faults.unknown_identifiers.items(), key=lambda item: -item[1])
    rows += [
        (say("identifier that no database defines"), f"{channel} 0x{identifier:X}", count)
        for (channel, identifier), count in strangers[:_MOST]
    ]
    more = say("{n} further identifiers are left out here.", n=len(strangers) - _MOST) if len(strangers) > _MOST else ""
    columns = [
        texts(say("What"), [what for what, _, _ in rows]),
        texts(say("Where"), [where for _, where, _ in rows]),
        numbers(say, say("Count"), [count for _, _, count in rows]),
    ]
    return Table("faults", say("Faults of the data, and frames no definition knows"), columns, more)


def _unread(view: View) -> list[tuple[str, str, int | None]]:
    """Rejected frames, and what the readers could not read or remarked: what, where, how many."""
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
    rows: list[tuple[str, str, int | None]] = [(kinds.get(kind, kind), "", count) for kind, count in rejected]
    for source in recording.sources:
        dropped = sorted(source.dropped.items())
        rows += [(say("could not be read"), f"{source.name}: {kind}", count) for kind, count in dropped]
        rows += [
            (say("damaged part"), f"{source.name}, {spot.where}: {spot.what}", max(spot.lost, 0))
            for spot in source.damage[:_MOST]
        ]
        rows += [(say("remark of the reader"), f"{source.name}: {note}", None) for note in source.notes]
    return rows
