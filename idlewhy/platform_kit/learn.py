"""Rules learnt from logs: a proposal for platform.toml; the file itself is never changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from decoder.logs import ReadOptions
from idle_stop.analysis import Analysis, Progress, analyse
from idle_stop.proposal import propose
from signal_defs.errors import LogError
from signal_defs.load import load_platform


@dataclass(frozen=True, slots=True)
class Learned:
    """toml: the proposal. remarks: logs that could not take part, and what the platform gets wrong."""

    toml: str
    remarks: tuple[str, ...]


def learn_rules(
    logs: Sequence[str | Path],
    platform: str | Path,
    *,
    one_vehicle: bool = False,
    progress: Progress | None = None,
    options: ReadOptions | None = None,
) -> Learned:
    """Learn from logs, each a recording of its own unless they are all of one vehicle.

    A log that cannot be used is left out and told. Raises LogError if none can, DefinitionError for a faulty platform.
    """
    known = load_platform(platform)
    remarks: list[str] = []
    analyses: list[Analysis] = []
    for group in [list(logs)] if one_vehicle else [[log] for log in logs]:
        try:
            analyses.append(analyse(group, known, progress=progress, options=options))
        except LogError as fault:
            if one_vehicle or len(logs) == 1:
                raise
            remarks.append(f"Left out: {fault}")
    if not analyses:
        raise LogError("None of the logs can be used.", mend="\n".join(remarks))
    proposal = propose(analyses)
    remarks += [str(sentence) for sentence in proposal.rules.wrong]
    count = f"{len(analyses)} recording{'s' if len(analyses) > 1 else ''}"
    head = f"# From {count}, platform {known.id}, definition {known.sha256[:12]}.\n"
    return Learned(head + proposal.toml, tuple(remarks))
