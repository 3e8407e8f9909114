"""Findings about roles in logs: never seen, never valid, never moving, never as a condition needs them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from decoder.recording import Recording, Trace
from signal_defs.check_finding import CheckFinding
from signal_defs.platform import Condition, Platform
from signal_defs.roles import REQUIRED_ROLES
from signal_defs.text import Text


def check_roles_seen(platform: Platform, recording: Recording, places: Mapping[str, str]) -> list[CheckFinding]:
    """Findings of every bound role. places: where each role stands in platform.toml."""
    found: list[CheckFinding] = []
    for role, binding in platform.bindings.items():
        trace = recording.traces.get(role)
        if trace is None or not len(trace):
            found.append(_unseen(role, binding.bus, binding.message, places[role]))
        elif not trace.valid.any():
            said = Text("{role} is in the logs {n} times and never valid.", {"role": role, "n": len(trace)})
            mend = Text("Compare its codes for not available, its range and its bits with their source.")
            found.append(CheckFinding("never_valid", "warning", places[role], said, mend))
        else:
            found += _often_invalid(trace, places[role])
    for role in recording.faults.frozen:
        if role in places:
            said = Text("{role} never changes in the logs, and it should.", {"role": role})
            mend = Text("Look whether this is the live signal, or whether its sender hangs.")
            found.append(CheckFinding("frozen", "warning", places[role], said, mend))
    return found + [one for c in platform.idle_stop.conditions for one in _never_met(c, recording, places)]


def _unseen(role: str, bus: str, message: str, place: str) -> CheckFinding:
    said = Text(
        "{role} is never seen: no frame of {bus}/{message} carries it.",
        {"role": role, "bus": bus, "message": message},
    )
    mend = Text("Look with idlewhy inspect whether its identifier is in the log, and on which channel.")
    return CheckFinding("never_seen", "error" if role in REQUIRED_ROLES else "warning", place, said, mend)


def _often_invalid(trace: Trace, place: str) -> Iterator[CheckFinding]:
    share = 1.0 - float(trace.valid.mean())
    if share > 0.5:
        said = Text("{role} is not available in {share:.0%} of its samples.", {"role": trace.role, "share": share})
        mend = Text("If it should be, compare its codes for not available and its range with their source.")
        yield CheckFinding("often_invalid", "note", place, said, mend)


def _never_met(condition: Condition, recording: Recording, places: Mapping[str, str]) -> Iterator[CheckFinding]:
    """A flag that is all through the logs what the condition forbids: mostly true_when is the wrong way round."""
    trace = recording.traces.get(condition.role)
    if trace is None or not isinstance(condition.equals, bool) or not trace.valid.any():
        return
    values = trace.value[trace.valid]
    if np.all((values > 0) != condition.equals):
        said = Text(
            '{role} is {value} in all {n} samples: "{condition}" is never met.',
            {"role": condition.role, "value": "false" if condition.equals else "true"}
            | {"n": len(values), "condition": condition.name},
        )
        mend = Text("Look whether true_when names the right values, or whether the vehicle really was so.")
        yield CheckFinding("condition_never_met", "warning", places[condition.role], said, mend)
