"""Restart quality: starter on to engine running, and the voltage held, against the platform's limits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from decoder.recording import Recording
from estimator.estimate import BatteryEstimate, Start
from signal_defs.platform import IdleStopRules

Warmth = Literal["cold", "warm", "unknown"]
WARM_COOLANT_C = 60.0  # published lists of stop conditions ask for this with the heater on
COLD_BATTERY_C = 5.0  # without a coolant signal a battery this cold means a cold start; common practice, no source
USUAL_MAX_S = 0.4  # common practice, no source: starter on to engine running, warm
USUAL_MIN_V = 9.0  # common practice, no source: control units without stabiliser


@dataclass(frozen=True, slots=True)
class RestartQuality:
    """Starts of one kind and warmth.

    timed: starts with the time to idle known. median_s, longest_s: starter on to engine running. slow: longer than
    `limit_s`. measured: starts with the voltage resolved. lowest_v: the lowest voltage seen, at the control
    units where a second source sees it, else at the battery. dipped: below `limit_v`. limits_given: both limits are
    the platform's; else common practice stands in. NaN where nothing is known.
    """

    kind: Literal["first", "restart"]
    warmth: Warmth
    starts: int
    timed: int
    median_s: float
    longest_s: float
    slow: int
    limit_s: float
    measured: int
    lowest_v: float
    dipped: int
    limit_v: float
    limits_given: bool


def restart_quality(
    recording: Recording, estimate: BatteryEstimate, rules: IdleStopRules
) -> tuple[RestartQuality, ...]:
    """All starts, first starts and restarts apart, each cold and warm apart; only classes that hold a start."""
    asked = [c.at_least for c in rules.conditions if c.role == "coolant_temperature" and c.at_least is not None]
    warm_c = max(asked, default=WARM_COOLANT_C)
    classes: dict[tuple[Literal["first", "restart"], Warmth], list[Start]] = {}
    for start in estimate.starts:
        classes.setdefault((start.kind, warmth(recording, start, warm_c)), []).append(start)
    return tuple(_quality(kind, warm, starts, rules) for (kind, warm), starts in sorted(classes.items()))


def warmth(recording: Recording, start: Start, warm_c: float = WARM_COOLANT_C) -> Warmth:
    """Whether the engine was warm: its coolant at `warm_c` or above, which is what the platform asks for a stop.

    Without a coolant signal a cold battery tells a cold start, and a restart from an idle-stop a warm one.
    """
    coolant = recording.traces.get("coolant_temperature")
    if coolant is not None and len(coolant):
        value = float(coolant.held(np.array([start.start_ns], dtype=np.int64), max_age_s=60.0)[0])
        if math.isfinite(value):
            return "warm" if value >= warm_c else "cold"
    if math.isfinite(start.temperature_c) and start.temperature_c < COLD_BATTERY_C and start.kind == "first":
        return "cold"
    return "warm" if start.kind == "restart" else "unknown"


def _quality(
    kind: Literal["first", "restart"], warm: Warmth, starts: list[Start], rules: IdleStopRules
) -> RestartQuality:
    limit_s = USUAL_MAX_S if rules.restart_max_s is None else rules.restart_max_s
    limit_v = USUAL_MIN_V if rules.restart_min_v is None else rules.restart_min_v
    times = np.array([start.to_idle_s for start in starts if math.isfinite(start.to_idle_s)])
    lows = np.array([_held_v(start) for start in starts])
    seen = np.array([start.resolved for start in starts]) & np.isfinite(lows)
    dipped = np.isfinite(lows) & (lows < limit_v)  # a dip that was seen is one, however coarse the sampling
    return RestartQuality(
        kind=kind,
        warmth=warm,
        starts=len(starts),
        timed=len(times),
        median_s=float(np.median(times)) if len(times) else math.nan,
        longest_s=float(times.max()) if len(times) else math.nan,
        slow=int((times > limit_s).sum()),
        limit_s=limit_s,
        measured=int(seen.sum()),
        lowest_v=float(np.nanmin(lows)) if np.isfinite(lows).any() else math.nan,
        dipped=int(dipped.sum()),
        limit_v=limit_v,
        limits_given=rules.restart_max_s is not None and rules.restart_min_v is not None,
    )


def _held_v(start: Start) -> float:
    return start.board_min_v if math.isfinite(start.board_min_v) else start.min_v
