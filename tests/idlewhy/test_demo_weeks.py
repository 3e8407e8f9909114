"""The demo's weeks tell what was drawn: who needs attention, whom the workshop helped and whom it did not."""

from __future__ import annotations

from pathlib import Path

import pytest

from fleet.changes import changes_of
from fleet.fleet_data import FleetData, fleet_of_store
from fleet.ranking import rank
from fleet.store import Store, open_store
from fleet.tables import TABLES
from idlewhy.cli.demo import _weeks
from idlewhy.demo.weeks import DAYS, TALES, write_weeks


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    made = open_store(tmp_path_factory.mktemp("weeks"))
    assert write_weeks(made) == DAYS * len(TALES)
    return made


@pytest.fixture(scope="module")
def data(store: Store) -> FleetData:
    return fleet_of_store(store)


def test_those_whose_fault_still_lasts_need_attention_and_nobody_else(data: FleetData) -> None:
    faulty = {one.vehicle for one in TALES if (one.rise or one.drain_ma) and not (one.visit and one.cures)}
    assert {one.vehicle for one in rank(data) if one.standing == "attention"} == faulty


def test_a_cured_drain_and_a_new_battery_are_told_and_a_missed_drain_is_not(data: FleetData) -> None:
    told = {(one.visit.vehicle, one.metric.name): one for one in changes_of(data.history)}
    cured = told["round-03", "quiescent"]
    assert cured.verdict == "better"
    assert cured.difference.low < -110.0 < cured.difference.high  # [mA], as drawn
    assert told["round-09", "resistance"].verdict == "better"
    assert told["round-10", "quiescent"].verdict == "alike"
    assert not any(one.verdict == "better" for one in told.values() if one.visit.vehicle == "round-10")


def test_a_new_battery_begins_a_new_episode(data: FleetData) -> None:
    [one] = [one for one in rank(data) if one.vehicle == "round-09"]
    assert [cut.kind for cut in one.trends["resistance"].cuts] == ["battery"]


def test_the_same_seed_gives_the_same_store(store: Store, tmp_path: Path) -> None:
    again = open_store(tmp_path)
    write_weeks(again)
    write_weeks(again)  # into a store that has it, nothing changes
    for table in TABLES:
        assert again.read(table).equals(store.read(table))


def test_the_demo_writes_the_page_of_the_weeks(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _weeks(tmp_path)
    assert "3 of 12 vehicles need attention: round-07, round-10 and round-05." in capsys.readouterr().out
    assert "workshop visit: " in (tmp_path / "weeks.html").read_text("utf-8")
