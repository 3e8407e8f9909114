"""Normal cycling told from a defect: stops used up late in a trip are not a weak battery."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from estimator.estimate import BatteryEstimate
from idle_stop.account import Cycling, Standstill
from idle_stop.readings import Readings
from signal_defs.text import Text, many

# Common practice, no source.
_WARM_AFTER_NS = 20 * 60 * 1_000_000_000
_CHARGE_ROLES = frozenset({"battery_soc", "idle_stop_inhibit_battery"})


def charge_cycling(
    standstills: Sequence[Standstill], estimate: BatteryEstimate, readings: Readings
) -> tuple[Cycling, tuple[Text, ...]]:
    """Whether refusals for lack of charge look like a defect, like stops used up late in a trip, or like neither.

    defect: the first standstill at which a stop was to be expected, more than 20 minutes into a drive, is refused for
    the charge. normal: every such refusal comes after a stop of the same drive, and stops come again afterwards.
    Returns the judgement and its evidence.
    """
    asked = [one for one in standstills if one.outcome != "not_sought"]
    short = [one for one in asked if one.outcome == "refused" and any(r.role in _CHARGE_ROLES for r in one.reasons)]
    if not short:
        return "none", ()
    drives = _drives(estimate, readings)
    by_drive: dict[int, list[Standstill]] = {}
    for one in asked:
        by_drive.setdefault(_drive_start(one, drives), []).append(one)
    early = [one for one in short if _is_first_warm(one, by_drive, drives)]
    if early:
        minutes = (early[0].start_ns - _drive_start(early[0], drives)) / 60e9
        return "defect", (
            many(
                "In one drive the charge refused a stop even at minute {minutes:.0f}, without a stop before it.",
                "In {n} drives the charge refused a stop after 20 minutes and more without a stop before it, once at "
                "minute {minutes:.0f}.",
                len(early),
                minutes=minutes,
            ),
        )
    after = [one for one in short if _stopped_before(one, by_drive, drives)]
    recovered = any(one.outcome in {"stopped", "cut_short"} and one.start_ns > short[0].end_ns for one in asked)
    if len(after) == len(short) and recovered:
        return "normal", (
            Text(
                "All {n} refusals for the charge came after earlier stops of the same drive, and stops came again "
                "later.",
                {"n": len(short)},
            ),
        )
    return "undecided", (
        Text(
            "{after} of {n} refusals for the charge came after earlier stops of the same drive.",
            {"after": len(after), "n": len(short)},
        ),
    )


def _drives(estimate: BatteryEstimate, readings: Readings) -> np.ndarray:
    """Starts of the drives [ns]: the estimate's, else its first starts, else the recording's start."""
    starts = [drive.start_ns for drive in estimate.drives] or [
        start.start_ns for start in estimate.starts if start.kind == "first"
    ]
    return np.array(sorted({readings.recording.start_ns, *starts}), dtype=np.int64)


def _drive_start(standstill: Standstill, drives: np.ndarray) -> int:
    return int(drives[max(int(np.searchsorted(drives, standstill.start_ns, side="right")) - 1, 0)])


def _is_first_warm(standstill: Standstill, by_drive: Mapping[int, Sequence[Standstill]], drives: np.ndarray) -> bool:
    """Whether this is the drive's first standstill after it has warmed up, and no stop came before."""
    begin = _drive_start(standstill, drives)
    if standstill.start_ns - begin <= _WARM_AFTER_NS:
        return False
    for one in by_drive[begin]:  # in order: the first of them that counts decides
        if one.outcome != "refused" or one.start_ns - begin > _WARM_AFTER_NS:
            return one.start_ns >= standstill.start_ns
    return True


def _stopped_before(standstill: Standstill, by_drive: Mapping[int, Sequence[Standstill]], drives: np.ndarray) -> bool:
    mine = by_drive[_drive_start(standstill, drives)]
    first = next((one for one in mine if one.outcome in {"stopped", "cut_short"}), None)
    return first is not None and first.start_ns < standstill.start_ns
