"""The coverage matrix: every bound role with what the logs have of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from decoder.recording import Recording
from signal_defs.platform import Platform


@dataclass(frozen=True, slots=True)
class RoleCoverage:
    """One role. samples: frames that carry it. valid_share: 0 to 1, of them. lowest, highest: of the valid ones, in the
    role's unit; None where there is none.
    """

    role: str
    source: str
    unit: str
    samples: int
    rate_hz: float | None
    valid_share: float
    lowest: float | None
    highest: float | None


def coverage_of(platform: Platform, recording: Recording) -> tuple[RoleCoverage, ...]:
    """Every role that the platform binds, seen or not."""
    rows = []
    for role, binding in platform.bindings.items():
        trace = recording.traces.get(role)
        if trace is None or not len(trace):
            rows.append(RoleCoverage(role, binding.source, binding.role.unit, 0, None, 0.0, None, None))
            continue
        values = trace.value[trace.valid & np.isfinite(trace.value)]
        period = trace.period_s
        rows.append(
            RoleCoverage(
                role,
                binding.source,
                binding.role.unit,
                len(trace),
                1.0 / period if period > 0 else None,
                float(trace.valid.mean()),
                float(values.min()) if len(values) else None,
                float(values.max()) if len(values) else None,
            )
        )
    return tuple(rows)
