"""What a rest after a full charge says: of the full battery, and of nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from estimator.anchors import FullCharge, ocv_at_full
from estimator.battery import estimate_battery
from estimator.estimate import Figure, Rest

HOUR_NS = 3_600_000_000_000


def rest(soc: float, mean_ma: float) -> Rest:
    """Ten hours, from a minute after the full charge on."""
    begin = 60_000_000_000
    figure = Figure(soc, soc - 2.0, soc + 2.0)
    return Rest(begin, begin + 10 * HOUR_NS, 12.5, mean_ma, figure, settled="settled")


def test_a_rest_in_which_much_was_drawn_does_not_tell_of_full() -> None:
    full = [FullCharge(0, 0.5)]
    assert ocv_at_full(full, [rest(99.0, -30.0)], 70.0).value == 99.0
    assert not ocv_at_full(full, [rest(24.0, -5000.0)], 70.0).is_known  # 50 Ah of 70 were drawn in it


def test_where_full_reads_low_charge_is_counted_from_there(planted: Any) -> None:
    # A curve 0.3 V too high stands for acid that is bound in sulphate: at full the voltage then claims some 75 %.
    leg = planted.Leg
    legs = [leg("park", 8 * 3600.0, -0.03), leg("crank"), leg("drive", 6 * 3600.0, volts=14.6, generator_a=40.0)]
    legs.append(leg("park", 20 * 3600.0, -0.03))
    truth = planted.simulate(planted.TrueBattery(), legs, 90.0)
    sound = planted.agm()
    dense = replace(sound, ocv_v=tuple((soc, volts + 0.3) for soc, volts in sound.ocv_v))
    recording = planted.record(truth, planted.Sensor())
    found, usual = estimate_battery(recording, dense), estimate_battery(recording, sound)
    assert found.sensor is not None
    assert found.sensor.ocv_at_full_soc.high < 92.0
    assert found.fade is not None
    assert found.fade.state == "seen"
    assert found.soc_low[-1] <= truth.soc[-1] <= found.soc_high[-1]
    assert found.soc[-1] > 95.0
    assert float(np.mean(usual.soc_high - usual.soc_low)) < 8.0


def test_a_cold_battery_that_takes_no_more_is_not_sure_to_be_full_so_the_band_reaches_up(planted: Any) -> None:
    leg = planted.Leg
    legs = [leg("park", 8 * 3600.0, -0.03), leg("crank"), leg("drive", 6 * 3600.0, volts=15.2, generator_a=40.0)]
    truth = planted.simulate(planted.TrueBattery(), [*legs, leg("park", 20 * 3600.0, -0.03)], 90.0, -10.0)
    sound = planted.agm()
    dense = replace(sound, ocv_v=tuple((soc, volts + 0.3) for soc, volts in sound.ocv_v))
    found = estimate_battery(planted.record(truth, planted.Sensor()), dense)
    assert found.fade is not None
    assert found.fade.state == "likely"
    assert found.soc[-1] < 90.0
    assert found.soc_high[-1] > 98.0


def test_the_last_seconds_before_a_load_do_not_weigh_as_much_as_the_night(planted: Any) -> None:
    # nine hours and a few seconds: the last window has a few rows, and the load begins within the last of them
    leg = planted.Leg
    legs = [leg("crank"), leg("drive", 1200.0), leg("park", 9 * 3600.0 + 3.0, -0.03), leg("crank"), leg("drive", 60.0)]
    truth = planted.simulate(planted.TrueBattery(), legs, 70.0)
    recording = planted.record(truth, planted.Sensor())
    rest = estimate_battery(recording, planted.agm()).rests[0]
    true = float(np.interp(9 * 3600.0, truth.time_s, truth.soc))
    assert rest.soc_from_ocv.low <= true <= rest.soc_from_ocv.high
