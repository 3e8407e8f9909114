"""Voltage after the current has stopped: how far it may still be from the open-circuit voltage, and for how long.

The remaining distance is a sum of exponentials with fixed time constants and unknown sizes. The sizes have priors, so a
short rest gives a wide answer and a long one a narrow one, by the same rule.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from decoder.frames import FloatArray

TIME_CONSTANTS_S = np.array([120.0, 600.0, 2400.0, 7200.0, 20000.0])
"""From double layer and acid in the pores to acid between plates. Common practice: minutes to hours, 6 h "settled"."""

SIZE_SD_V = np.array([0.20, 0.15, 0.10, 0.06, 0.03])
"""Surface charge is 0.1 to 0.5 V, dying over hours (battery maintenance manuals)."""

SHARED_SIZE_SD_V = SIZE_SD_V / np.sqrt(2.0)
"""Half of a size's variance belongs to the battery and is alike in all its rests, half to the single rest. Ours."""

AFTER_CHARGE_V = np.array([0.12, 0.10, 0.05, 0.02, 0.0])
"""Mean sizes right after charging; after a discharge about a third, with the other sign. Common practice."""

UNKNOWN_AGE_SD_V = np.array([0.03, 0.03, 0.03, 0.03, 0.02])
"""Where the rest began before the recording: mostly hours ago, perhaps not."""

NOISE_V = 0.003
COMMON_V = 0.003
"""Noise of one averaged point, and what all points of a rest share: hysteresis and the sensor's drift. Ours."""


@dataclass(frozen=True, slots=True, eq=False)
class RestVoltage:
    """One rest's voltage, averaged over windows that widen with age.

    start_ns: current off, or the first sample if the rest began before the recording (then age_known is False).
    age_s: (m,) of each window [s]. time_s: (m,) the same from the grid's first row [s]. voltage: (m,) without load [V].
    load_v: (m,) load's part of the voltage, taken off. load_sd: (m,) of that, common to all windows [V].
    temperature: (m,) [degC]. after: mean current before the rest [A].
    stretch_ns: the whole engine-off stretch of which this rest is a part.
    """

    start_ns: int
    end_ns: int
    age_s: FloatArray
    time_s: FloatArray
    voltage: FloatArray
    load_v: FloatArray
    load_sd: FloatArray
    temperature: FloatArray
    after: float
    age_known: bool
    stretch_ns: tuple[int, int] = (0, 0)

    def expected(self) -> FloatArray:
        """(m,) mean distance from the open-circuit voltage before any fit [V]."""
        return self._shapes() @ (AFTER_CHARGE_V * self.direction)

    @property
    def shared(self) -> FloatArray:
        """(m, time constants) what the battery's own sizes add to the voltage here [V/V]."""
        return np.asarray(self._shapes() * self.direction)

    def covariance(self) -> FloatArray:
        """(m, m) of voltage minus open-circuit voltage minus `expected` [V^2]."""
        size_sd = self._own_size_sd()
        shaped = self._shapes() * size_sd
        noise = np.diag(np.full(len(self.age_s), NOISE_V**2))
        return np.asarray(shaped @ shaped.T + noise + np.outer(self.load_sd, self.load_sd) + COMMON_V**2)

    def remaining(self, distance: FloatArray) -> tuple[float, float]:
        """Mean and standard deviation of what is left to relax at the end [V].

        distance: (m,) voltage minus a level that is itself unknown (any constant) [V].
        """
        size_sd = SIZE_SD_V if self.age_known else UNKNOWN_AGE_SD_V
        shapes = self._shapes()
        cross = (shapes[-1] * size_sd) @ (shapes * size_sd).T
        covariance = self.covariance() + 1.0  # a level known to within a volt
        gain = np.linalg.solve(covariance, cross)
        expected = self.expected()
        mean = expected[-1] + gain @ (distance - expected)
        variance = float(((shapes[-1] * size_sd) ** 2).sum() - gain @ cross)
        return float(mean), float(np.sqrt(max(variance, 0.0)))

    def _own_size_sd(self) -> FloatArray:
        """(time constants,) of what this rest does not share with others [V]."""
        if not self.age_known:
            return UNKNOWN_AGE_SD_V
        return SHARED_SIZE_SD_V if self.direction else SIZE_SD_V

    def _shapes(self) -> FloatArray:
        return np.asarray(np.exp(-self.age_s[:, None] / TIME_CONSTANTS_S))

    @property
    def direction(self) -> float:
        """1 after charging, -1/3 after discharging, 0 where unknown."""
        if not self.age_known or abs(self.after) < 0.5:
            return 0.0
        return 1.0 if self.after > 0 else -1.0 / 3.0
