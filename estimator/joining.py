"""Estimates of nothing, of several batteries in a row, and of a current of wrong sign."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from decoder.recording import Recording
from estimator.estimate import BatteryChange, BatteryEstimate, Phase, SensorJudgement, unknown_figure
from signal_defs.text import Text


def join_estimates(
    parts: Sequence[BatteryEstimate], changes: tuple[BatteryChange, ...], duration_s: float
) -> BatteryEstimate:
    """One estimate of batteries fitted one after the other: rows of all, figures of the last.

    duration_s: of the whole recording, for the coverage [s].
    """
    first, last = parts[0], parts[-1]
    covered_s = sum(part.coverage * sum(phase.seconds for phase in part.phases) for part in parts)
    lowest = min((part.soc_min for part in parts if part.soc_min.is_known), key=lambda f: f.value, default=last.soc_min)
    return replace(
        last,
        time_ns=np.concatenate([part.time_ns for part in parts]),
        soc=np.concatenate([part.soc for part in parts]),
        soc_low=np.concatenate([part.soc_low for part in parts]),
        soc_high=np.concatenate([part.soc_high for part in parts]),
        phases=tuple(phase for part in parts for phase in part.phases),
        starts=tuple(start for part in parts for start in part.starts),
        rests=tuple(rest for part in parts for rest in part.rests),
        drives=tuple(drive for part in parts for drive in part.drives),
        soc_start=first.soc_start,
        soc_min=lowest,
        charged_ah=sum(part.charged_ah for part in parts),
        discharged_ah=sum(part.discharged_ah for part in parts),
        coverage=min(covered_s / duration_s, 1.0) if duration_s > 0 else 0.0,
        full_charges_ns=tuple(at for part in parts for at in part.full_charges_ns),
        battery_changes=changes,
    )


def turn_current(recording: Recording) -> Recording:
    """The recording with its battery current's sign turned round."""
    current = recording.traces["battery_current"]
    return replace(recording, traces={**recording.traces, "battery_current": replace(current, value=-current.value)})


def say_turned(estimate: BatteryEstimate, inverted: int) -> BatteryEstimate:
    """An estimate of a turned current says so. inverted: cranks that read as charging."""
    sensor = replace(estimate.sensor or SensorJudgement(), sign_wrong=True, inverted_cranks=inverted)
    said = Text(
        "The current read as charging at {n} cranks; its sign was turned round for this estimate.", {"n": inverted}
    )
    return replace(estimate, sensor=sensor, unknown=(*estimate.unknown, said))


def nothing_known(phases: tuple[Phase, ...]) -> BatteryEstimate:
    """The estimate of a recording without a valid sample of voltage or current."""
    empty = unknown_figure(Text("No valid sample of battery voltage or current was recorded."))
    none = np.zeros(0)
    return BatteryEstimate(
        time_ns=np.zeros(0, dtype=np.int64),
        soc=none,
        soc_low=none,
        soc_high=none,
        phases=phases,
        starts=(),
        rests=(),
        drives=(),
        soc_start=empty,
        soc_end=empty,
        soc_min=empty,
        capacity_ah=empty,
        soh_percent=empty,
        resistance_mohm=empty,
        current_offset_a=empty,
        quiescent_ma=empty,
        next_crank_min_v=empty,
        charged_ah=0.0,
        discharged_ah=0.0,
        coverage=0.0,
        charge_acceptance_a_per_ah=empty,
        days_to_idle_stop_limit=empty,
        days_to_no_start=empty,
        unknown=(Text("No valid sample of battery voltage or current was recorded."),),
    )
