"""Open-circuit curves against what is published."""

from __future__ import annotations

import numpy as np
import pytest

from estimator.anchors import compensated
from estimator.ocv import FLOODED, curve_of
from signal_defs.errors import DefinitionError
from signal_defs.platform import Battery


def soc_of(battery_type: str, volts: float, celsius: float = 25.0) -> float:
    battery = Battery(battery_type, 70.0)  # type: ignore[arg-type]
    return float(curve_of(battery).soc_at(np.array([volts]), np.array([celsius]))[0])


@pytest.mark.parametrize(("volts", "soc"), [(12.65, 100), (12.45, 75), (12.24, 50), (12.06, 25), (11.89, 0)])
def test_the_flooded_curve_is_the_published_table(volts: float, soc: float) -> None:
    assert soc_of("flooded", volts) == pytest.approx(soc, abs=1.0)  # source: battery industry council's table


def test_flooded_and_agm_read_the_same_voltage_differently() -> None:
    assert soc_of("flooded", 12.40) == pytest.approx(69, abs=3)  # by hand: 50 + 25 * 0.16 / 0.21
    assert soc_of("agm", 12.40) == pytest.approx(58, abs=3)  # by hand: 50 + 25 * 0.10 / 0.30


def test_an_efb_lies_between_flooded_and_agm_at_rest() -> None:
    assert soc_of("agm", 12.6) < soc_of("efb", 12.6) < soc_of("flooded", 12.6)  # from memory: denser acid


def test_the_flooded_curve_agrees_with_the_polynomial_of_its_acid() -> None:
    # acid by mass [%] at the gravities below: density tables at 20 degC, from memory
    by_mass = np.array([17.4, 22.0, 26.4, 30.8, 35.6])
    x = np.log10(by_mass / (100.0 - by_mass) / 0.09808)  # of the molality [mol/kg]
    # source: Bode 1977, as used by Sulzer et al. 2019, one polynomial for each electrode
    positive = 1.628 + 0.074 * x + 0.033 * x**2 + 0.043 * x**3 + 0.022 * x**4
    negative = -0.294 - 0.074 * x - 0.030 * x**2 - 0.031 * x**3 - 0.012 * x**4
    assert [volts for _, volts in FLOODED] == pytest.approx(6.0 * (positive - negative), abs=0.02)


def test_the_flooded_curve_agrees_with_the_handbooks_rule_of_gravity() -> None:
    gravity = np.array([1.120, 1.155, 1.190, 1.225, 1.265])  # source: battery industry council's table, 0 to 100 %
    rule = 6.0 * (gravity + 0.845)  # source: DOE-HDBK-1084-95; good near full
    assert [volts for _, volts in FLOODED] == pytest.approx(rule, abs=0.1)


def test_cold_lowers_the_voltage_of_a_rested_battery_a_little() -> None:
    # by hand: 12.38 + 0.0012 * 35 = 12.422 V, 50 + 25 * 0.182 / 0.21 = 71.7 %; uncorrected 66.7 %
    assert soc_of("flooded", 12.38, -10.0) == pytest.approx(71.7, abs=0.3)
    assert soc_of("flooded", 12.38) == pytest.approx(66.7, abs=0.3)


def test_the_regulated_voltage_follows_the_temperature() -> None:
    volts = compensated(14.40, np.array([0.0, 40.0]))
    assert volts == pytest.approx([14.85, 14.13], abs=0.01)  # source: charger-setting tables, -3 mV/K and cell


def test_voltage_and_charge_are_inverse_beyond_the_ends_too() -> None:
    curve = curve_of(Battery("agm", 70.0))
    soc = np.linspace(-10.0, 110.0, 25)
    celsius = np.full(25, -5.0)
    assert curve.soc_at(curve.voltage_at(soc, celsius), celsius) == pytest.approx(soc)


def test_the_platforms_own_curve_is_trusted_more_than_its_types() -> None:
    own = curve_of(Battery("agm", 70.0, ocv_v=((0.0, 11.8), (100.0, 12.9))))
    assert own.shift_sd < 0.3 * curve_of(Battery("agm", 70.0)).shift_sd


def test_a_curve_that_does_not_rise_is_refused_with_its_mend() -> None:
    with pytest.raises(DefinitionError, match="does not rise") as caught:
        curve_of(Battery("agm", 70.0, ocv_v=((0.0, 12.0), (50.0, 11.9))))
    assert caught.value.mend


def test_nothing_known_stays_unknown() -> None:
    assert np.isnan(soc_of("agm", float("nan")))
