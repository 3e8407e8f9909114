"""What an anchor is: measurements of charge, their own errors, and the errors that all anchors share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from decoder.frames import FloatArray
from estimator.ocv import OcvCurve
from estimator.relaxation import SHARED_SIZE_SD_V

# The shared errors: the curve's shift [%] and tilt [% at 50 points from 75 %], this battery's relaxing voltages [V] one
# for each time constant, its resistance to a small load (relative), what "nearly full" is [%], the
# voltage's temperature coefficient [V/K], and by how much less than it seems is full [%].
SHIFT, TILT, RELAXING = 0, 1, 2
LOAD: Final = RELAXING + len(SHARED_SIZE_SD_V)
FULL: Final = LOAD + 1
WARMTH: Final = FULL + 1
LIMIT: Final = WARMTH + 1
SHARED: Final = LIMIT + 1
NOT_SOLVED = (TILT, WARMTH)  # their uncertainty is carried through instead, see `charge`

VOLTAGE_SD, GAIN_SD = 0.009, 0.006  # a sensor's constant errors within 15 mV and 1 % of the current
WARMTH_SD = 0.2e-3  # [V/K], of 1.2 mV/K that is from memory
LOAD_SD = 0.5
FULL_SHARED_SD = 2.0
WEAK, STRONG = 3.0, 2.0  # standard deviations of an anchor [%]
NEAR_S = 12 * 3600.0


@dataclass(frozen=True, slots=True, eq=False)
class Anchor:
    """Measurements of charge of one occasion: a rest, or a full charge.

    time_s: (m,). soc: (m,) [%]. covariance: (m, m) of the occasion's own errors [%^2].
    shared: (m, SHARED) how much each shared error adds [% per unit].
    """

    time_s: FloatArray
    soc: FloatArray
    covariance: FloatArray
    shared: FloatArray

    @property
    def sd(self) -> float:
        """Standard deviation of the occasion's charge by its own errors [%]."""
        return float(1.0 / np.sqrt(np.linalg.solve(self.covariance, np.ones(len(self.soc))).sum()))


def shared_sd(curve: OcvCurve) -> FloatArray:
    """(SHARED,) standard deviation of each shared error before the data; all have mean zero."""
    shift = float(np.hypot(curve.shift_sd, VOLTAGE_SD / float(curve.slope_at(np.array(70.0)))))
    return np.array(
        [shift, curve.tilt_sd, *SHARED_SIZE_SD_V, LOAD_SD, FULL_SHARED_SD, WARMTH_SD, np.hypot(shift, FULL_SHARED_SD)]
    )


def worth_using(anchors: Sequence[Anchor]) -> list[Anchor]:
    """The anchors less the weak ones that have a strong one within half a day: those would add more bias than truth."""
    spread = np.array([anchor.sd for anchor in anchors])
    strong = [anchor for anchor, sd in zip(anchors, spread, strict=True) if sd < STRONG]
    begins = np.sort([anchor.time_s[0] for anchor in strong])
    ends = np.sort([anchor.time_s[-1] for anchor in strong])

    def strong_near(anchor: Anchor) -> bool:
        # begun before the window's end, minus those already over before its beginning
        begun = np.searchsorted(begins, anchor.time_s[-1] + NEAR_S, side="right")
        return bool(begun > np.searchsorted(ends, anchor.time_s[0] - NEAR_S))

    return [anchor for anchor, sd in zip(anchors, spread, strict=True) if sd <= WEAK or not strong_near(anchor)]
