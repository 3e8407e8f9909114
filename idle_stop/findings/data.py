"""Findings on the data: what the log itself could not carry."""

from __future__ import annotations

from idle_stop.findings.facts import Facts, finding
from idle_stop.findings.finding import Finding
from signal_defs.text import Text

BAD_SHARE = 0.01  # of the frames; a line in order shows next to none; common practice, no source


def lin_errors(facts: Facts) -> Finding | None:
    """Frames of the sensor's line arrive damaged."""
    rejected = facts.recording.faults.rejected
    bad = {kind: rejected.get(kind, 0) for kind in ("lin_checksum", "lin_parity")}
    whole = sum(bad.values()) + len(facts.recording.traces.get("battery_voltage", ()))
    lines: list[Text] = []
    if whole and bad["lin_checksum"] > BAD_SHARE * whole:
        lines.append(Text("{n} LIN frames have a checksum that fits no rule.", {"n": bad["lin_checksum"]}))
    if whole and bad["lin_parity"] > BAD_SHARE * whole:
        lines.append(Text("{n} LIN identifiers have wrong parity.", {"n": bad["lin_parity"]}))
    edges = facts.recording.faults.response_error_edges
    if edges > 2:
        lines.append(Text("The sensor reported errors in its own frames {n} times.", {"n": edges}))
    return finding("lin_errors", "check", lines)


def frozen_value(facts: Facts) -> Finding | None:
    """A value that should move stands still."""
    lines = [
        Text("{role} never changed in {n} samples.", {"role": role, "n": len(facts.recording.traces[role])})
        for role in facts.recording.faults.frozen
        if role in facts.recording.traces
    ]
    return finding("frozen_value", "check", lines, capped=True)


def data_gap(facts: Facts) -> Finding | None:
    """The log has holes or its clock jumped: nothing was integrated across them."""
    faults = facts.recording.faults
    silent = [gap for gap in faults.gaps if gap.role in {"", "battery_current"}]
    lines: list[Text] = []
    if silent:
        lines.append(
            Text(
                "{n} gaps in the current, {s:.0f} s in all, the longest {longest:.0f} s.",
                {
                    "n": len(silent),
                    "s": sum(gap.seconds for gap in silent),
                    "longest": max(gap.seconds for gap in silent),
                },
            )
        )
    if faults.clock_steps_ns:
        lines.append(Text("The clock of the log jumped {n} times.", {"n": len(faults.clock_steps_ns)}))
    dropped = sum(sum(source.dropped.values()) for source in facts.recording.sources)
    if dropped:
        lines.append(Text("{n} records of the log could not be read.", {"n": dropped}))
    return finding("data_gap", "note", lines)
