"""Open-circuit curves against what is published."""

from __future__ import annotations

import numpy as np
import pytest

from estimator.anchors import compensated
from estimator.ocv import bode_ocv, curve_of, gravity_ocv
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


def test_the_acids_polynomial_gives_the_published_cell_voltage() -> None:
    assert float(bode_ocv(np.array(5.0))) == pytest.approx(2.0896, abs=0.0005)  # source: Bode 1977, m = 5 mol/kg


def test_the_gravity_rule_gives_the_handbooks_cell_voltage() -> None:
    assert gravity_ocv(1.285) == pytest.approx(2.130, abs=0.001)  # source: DOE-HDBK-1084-95, 1.285 + 0.845


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
