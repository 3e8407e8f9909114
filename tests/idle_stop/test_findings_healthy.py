"""Vehicles in order get no finding that asks for action, and no finding but those that tell of the weather."""

from __future__ import annotations

import pytest

from estimator.battery import estimate_battery
from idle_stop.attribution import account_for
from idle_stop.findings import find_findings
from idlewhy.demo.healthy import healthy


# our earlier output: two hundred such vehicles, drawn by `python -m benchmarks.healthy_recordings`, gave none either
@pytest.mark.parametrize("seed", [0, 2, 3, 7, 9, 12, 17, 27, 33, 41, 55, 68])
def test_a_vehicle_in_order_is_not_accused(seed: int) -> None:
    vehicle = healthy(seed)
    rules = vehicle.platform.idle_stop
    estimate = estimate_battery(vehicle.recording, vehicle.platform.battery, rules=rules)
    account = account_for(vehicle.recording, estimate, rules)
    found = find_findings(vehicle.recording, estimate, account, vehicle.platform)
    assert {one.code for one in found} <= {"cold_by_design", "heat_by_design", "normal_cycling"}
    assert {one.weight for one in found} <= {"note"}
