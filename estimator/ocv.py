"""Open-circuit voltage and charge: each battery type's curve, its temperature coefficient, how far to trust it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from decoder.frames import FloatArray
from signal_defs.errors import DefinitionError
from signal_defs.platform import Battery

TEMPERATURE_COEFFICIENT = 1.2e-3
"""[V/K] for six cells, from memory; published values span 1.2 to 4.3 mV/K. (The widely copied "voltmeter correction" of
4.3 mV/K is the hydrometer's, with the wrong sign for voltage.)"""

# Battery industry council's table, flooded, rested, about 26 degC. The molality polynomial of Bode 1977 agrees within
# 0.02 V; the rule 6 x (specific gravity + 0.845) of DOE-HDBK-1084-95 within 0.1 V at empty.
FLOODED = ((0.0, 11.89), (25.0, 12.06), (50.0, 12.24), (75.0, 12.45), (100.0, 12.65))
# Flooded with denser acid: full 12.70 to 12.80 V, shifted by 0.05 to 0.10 V. From memory.
EFB = tuple((soc, voltage + 0.075) for soc, voltage in FLOODED)
# One published charge table (12.8-13.2 full, 12.6, 12.3, 12.0, below 12.0 empty); full taken on the table's own slope.
AGM = ((0.0, 11.70), (25.0, 12.00), (50.0, 12.30), (75.0, 12.60), (100.0, 12.90))


@dataclass(frozen=True, slots=True, eq=False)
class OcvCurve:
    """Voltage over charge at 25 degC, and the standard deviation of what it may be wrong by.

    soc: (m,) rising [%]. voltage: (m,) rising [V]. shift_sd: of an error common to the whole curve [% SoC].
    tilt_sd: of an error that grows from zero at 75 % with distance, at 50 points from there [% SoC].
    """

    soc: FloatArray
    voltage: FloatArray
    shift_sd: float
    tilt_sd: float

    def soc_at(self, voltage: FloatArray, temperature: FloatArray) -> FloatArray:
        """(n,) charge of a rested battery [%] from its voltage [V] and temperature [degC].

        Beyond the ends the outer slopes go on, so that differences stay differences; NaN where either is NaN.
        """
        at_25 = np.asarray(voltage) - TEMPERATURE_COEFFICIENT * (np.asarray(temperature) - 25.0)
        return _along(at_25, self.voltage, self.soc)

    def voltage_at(self, soc: FloatArray, temperature: FloatArray) -> FloatArray:
        """(n,) open-circuit voltage [V] at a charge [%] and temperature [degC]."""
        shift = TEMPERATURE_COEFFICIENT * (np.asarray(temperature) - 25.0)
        return _along(np.asarray(soc), self.soc, self.voltage) + shift

    def slope_at(self, soc: FloatArray) -> FloatArray:
        """(n,) dV/dSoC [V/%], over +/-5 points so that a corner of the curve is no step."""
        high, low = (_along(np.asarray(soc) + step, self.soc, self.voltage) for step in (5.0, -5.0))
        return (high - low) / 10.0


def curve_of(battery: Battery) -> OcvCurve:
    """The platform's own curve, narrow, or the battery type's, as wide as its sources disagree.

    Raises DefinitionError if the platform's curve does not rise strictly.
    """
    if battery.ocv_v:
        soc, voltage = (np.array(column, dtype=float) for column in zip(*battery.ocv_v, strict=True))
        if len(soc) < 2 or (np.diff(soc) <= 0).any() or (np.diff(voltage) <= 0).any():
            raise DefinitionError(
                "The open-circuit curve does not rise.",
                where="[battery] ocv_v",
                mend="Give at least two [SoC %, V] pairs, both numbers rising.",
            )
        return OcvCurve(soc, voltage, shift_sd=0.5, tilt_sd=0.5)
    # 95 % of +/-7 points at best (flooded); the denser acid of an EFB and the AGM's single table are less sure.
    # The slopes of two published rules for flooded batteries differ by an eighth: 6 points in 50.
    table, shift_sd = {"flooded": (FLOODED, 3.5), "efb": (EFB, 4.5), "agm": (AGM, 4.5)}[battery.type]
    soc, voltage = (np.array(column) for column in zip(*table, strict=True))
    return OcvCurve(soc, voltage, shift_sd=shift_sd, tilt_sd=6.0)


def _along(x: FloatArray, xs: FloatArray, ys: FloatArray) -> FloatArray:
    """Straight lines through the points, the outer ones going on beyond the ends."""
    index = np.clip(np.searchsorted(xs, x) - 1, 0, len(xs) - 2)
    slope = (ys[index + 1] - ys[index]) / (xs[index + 1] - xs[index])
    return np.asarray(ys[index] + slope * (x - xs[index]))
