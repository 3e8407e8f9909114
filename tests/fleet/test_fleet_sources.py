"""Which logs are added, and which vehicle and platform they are told to be of."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from fleet.manifest import ManifestRow, Visit, read_manifest
from fleet.sources import Task, find_logs, tasks_of
from signal_defs.errors import DefinitionFaultsError, UsageError


def _touch(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text("x", encoding="ascii")


def test_folders_patterns_and_files_are_found_each_once(tmp_path: Path) -> None:
    _touch(tmp_path, "a/one.log", "a/deep/two.blf", "a/.hidden", "a/truth.json", "three.asc")
    found = find_logs([str(tmp_path / "a"), str(tmp_path / "*.asc"), str(tmp_path / "three.asc")])
    assert [Path(log).name for log in found] == ["two.blf", "one.log", "three.asc"]


def test_a_place_without_a_log_is_wrong_usage(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no log here"):
        find_logs([str(tmp_path / "*.blf")])


def test_the_pattern_tells_vehicle_and_recording() -> None:
    logs = ["in/van-7/mon-1.blf", "in/van-7/mon-2.blf", "in/van-7/tue-1.blf", "in/stray.blf"]
    tasks, unplaced = tasks_of(logs, pattern="{vehicle}/{recording}-*.blf", platform="p")
    assert tasks == [
        Task("van-7", "p", ("in/van-7/mon-1.blf", "in/van-7/mon-2.blf")),
        Task("van-7", "p", ("in/van-7/tue-1.blf",)),
    ]
    assert [one.log for one in unplaced] == ["in/stray.blf"]


def test_the_manifest_tells_the_vehicle_by_its_patterns_then_by_its_name_in_the_path(tmp_path: Path) -> None:
    rows = (
        ManifestRow("van-1", platform="a", logs=("x/*.log",)),
        ManifestRow("van-10", platform="b"),
        ManifestRow("van-2"),
    )
    logs = [str(tmp_path / "x/any.log"), str(tmp_path / "y/van-10_mon.blf"), str(tmp_path / "van-2.asc")]
    tasks, unplaced = tasks_of(logs, manifest=rows, manifest_folder=tmp_path)
    assert [(task.vehicle, task.platform) for task in tasks] == [("van-1", "a"), ("van-10", "b")]
    assert unplaced[0].why == "No platform is given for van-2."


def test_without_manifest_and_pattern_the_log_itself_names_the_vehicle() -> None:
    tasks, _ = tasks_of(["in/van-3.2025.log.gz"], platform="p")
    assert tasks == [Task("van-3", "p", ("in/van-3.2025.log.gz",))]


def test_logs_of_a_vehicle_can_be_one_recording() -> None:
    tasks, _ = tasks_of(["b.log", "a.log"], platform="p", vehicle="v", together=True)
    assert tasks == [Task("v", "p", ("a.log", "b.log"))]


def test_a_pattern_without_the_vehicle_is_wrong_usage() -> None:
    with pytest.raises(UsageError, match="vehicle's name"):
        tasks_of(["a"], pattern="*.log", platform="p")


def test_a_manifest_is_read_whatever_sets_its_fields_apart(tmp_path: Path) -> None:
    for sign in ",;\t":
        file = tmp_path / "fleet.csv"
        head = sign.join(("vehicle", "platform", "battery", "depot", "visits"))
        row = sign.join(("van-1", "example-van", "new 70 Ah", "north", "2025-03-02 battery|2025-05-11"))
        file.write_text(f"{head}\n{row}\n", encoding="utf-8-sig")
        visits = (Visit(date(2025, 3, 2), "battery"), Visit(date(2025, 5, 11), "visit"))
        assert read_manifest(file) == (ManifestRow("van-1", "example-van", "new 70 Ah", "north", visits),)


def test_every_fault_of_a_manifest_is_told_with_its_line(tmp_path: Path) -> None:
    file = tmp_path / "fleet.csv"
    file.write_text("vehicle,depto,visits\nvan-1,a,soon\n,b,\nvan-2,a,\nvan-2,a,2025-13-01\n", encoding="utf-8")
    with pytest.raises(DefinitionFaultsError) as told:
        read_manifest(file)
    words = str(told.value)
    assert len(told.value.faults) == 4
    assert "'depto'" in words
    for line in ("line 2", "line 3", "line 5"):
        assert line in words
