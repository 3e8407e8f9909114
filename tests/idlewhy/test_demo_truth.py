"""The demo's vehicles, analysed from their log files alone, against what really happened to them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest

from idle_stop.account import Standstill
from idle_stop.analysis import Analysis, analyse
from idlewhy.demo import DemoVehicle, make_logs
from idlewhy.demo.truth import TrueStandstill

VANS = (*(f"van-{number:02}" for number in range(1, 8)), "van-04-after")
HATCHES = ("hatch-01", "hatch-02")


@dataclass(frozen=True)
class Case:
    vehicle: DemoVehicle
    analysis: Analysis

    @property
    def late_ns(self) -> int:
        """What to add to the truth's times: a format without time zone may shift the whole log."""
        return self.analysis.recording.start_ns // 1_000_000_000 * 1_000_000_000 - int(self.vehicle.truth.time_ns[0])


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Case]]:
    folder = tmp_path_factory.mktemp("fleet")
    vehicles = make_logs(folder)
    cases = {v.id: Case(v, analyse(v.logs, v.platform, vehicle=v.id)) for v in vehicles}
    assert set(json.loads((folder / "truth.json").read_text())) == set(cases)
    yield cases
    for vehicle in vehicles:
        for log in vehicle.logs:
            log.unlink()


@pytest.fixture(params=VANS + HATCHES)
def case(request: pytest.FixtureRequest, fleet: dict[str, Case]) -> Case:
    return fleet[request.param]


@pytest.fixture(params=VANS)
def van(request: pytest.FixtureRequest, fleet: dict[str, Case]) -> Case:
    return fleet[request.param]


def _told(one: Standstill | TrueStandstill) -> tuple[object, ...]:
    """What both sides must say alike of a standstill."""
    if isinstance(one, Standstill):
        reasons, unknown = {reason.condition for reason in one.reasons}, set(one.unknown_conditions)
    else:
        reasons, unknown = set(one.reasons), set(one.unknown)
    ended = one.ended_by if one.outcome in {"stopped", "cut_short"} else "-"
    return one.outcome, ended, reasons, unknown if one.outcome != "not_sought" else set()


def test_every_standstill_of_a_van_has_the_true_outcome_end_reasons_and_unknowns(van: Case) -> None:
    true, found = van.vehicle.truth.standstills, van.analysis.account.standstills
    assert [_told(one) for one in found] == [_told(one) for one in true]


def test_every_standstill_of_a_van_begins_when_it_really_did(van: Case) -> None:
    true, found = van.vehicle.truth.standstills, van.analysis.account.standstills
    pairs = [(f, t) for f, t in zip(found, true, strict=True) if t.outcome != "not_sought"]
    late = [(f.start_ns - t.start_ns - van.late_ns) / 1e9 for f, t in pairs]
    assert max(map(abs, late)) < 0.2  # [s], two cycles of the speed's message


def test_a_hatchback_without_speed_on_its_line_is_not_given_wrong_reasons(fleet: dict[str, Case]) -> None:
    for name in HATCHES:
        true = {reason for one in fleet[name].vehicle.truth.standstills for reason in one.reasons}
        found = {r.condition for one in fleet[name].analysis.account.standstills for r in one.reasons}
        assert found <= true, name


def test_every_start_is_found_with_its_lowest_voltage_and_its_kind(case: Case) -> None:
    true, found = case.vehicle.truth.starts, case.analysis.estimate.starts
    assert [start.kind for start in found] == [start.kind for start in true]
    for f, t in zip(found, true, strict=True):
        assert abs(f.start_ns - t.start_ns - case.late_ns) < 150_000_000  # [ns], 20 ms sampling, 50 ms starter flag
        assert t.min_v - 0.05 < f.min_v < t.min_v + 0.4  # [V], noise below; above, the inrush between two samples


def test_the_true_charge_lies_in_the_band(case: Case) -> None:
    estimate, truth = case.analysis.estimate, case.vehicle.truth
    at = (truth.time_ns + case.late_ns).astype(float)
    low, high = (np.interp(at, estimate.time_ns, band) for band in (estimate.soc_low, estimate.soc_high))
    assert np.isfinite(low).mean() > 0.95
    assert ((low <= truth.soc) & (truth.soc <= high)).mean() > 0.95  # a 95 % band


def test_the_true_crank_resistance_lies_in_the_band(case: Case) -> None:
    figure, true = case.analysis.estimate.resistance_mohm, case.vehicle.truth.resistance_mohm
    assert figure.is_known
    assert figure.low <= true <= figure.high


def test_the_true_draw_asleep_lies_in_the_band(case: Case) -> None:
    figure, true = case.analysis.estimate.quiescent_ma, case.vehicle.truth.asleep_ma
    assert figure.is_known
    assert figure.low <= -true <= figure.high


def test_each_story_is_found_and_nothing_else_asks_for_action(case: Case) -> None:
    truth = case.vehicle.truth
    found = {finding.code for finding in case.analysis.findings}
    urgent = {finding.code for finding in case.analysis.findings if finding.weight == "act"}
    assert set(truth.findings) <= found
    assert urgent <= {*truth.findings, *truth.may_find}


def test_no_frame_of_the_fleet_is_rejected_or_unknown(case: Case) -> None:
    recording = case.analysis.recording
    assert not any(recording.faults.rejected.values())
    assert not recording.faults.unknown_identifiers
    assert recording.frames == recording.frames_decoded
