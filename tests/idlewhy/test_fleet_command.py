"""`idlewhy fleet`, as a person or a scheduler calls it."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from idlewhy.cli.main import main
from idlewhy.demo import make_logs


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("logs")
    make_logs(folder, only=("van-01", "hatch-01"))
    (folder / "broken.log").write_text("this is no log\n", encoding="ascii")
    (folder / "fleet.csv").write_text(
        "vehicle,platform,depot\nvan-01,example-van,north\nhatch-01,example-hatch,south\n", encoding="utf-8"
    )
    return folder


@pytest.fixture
def store(logs: Path, tmp_path: Path) -> str:
    name = str(tmp_path / "store")
    words = ["fleet", "add", str(logs), "--manifest", str(logs / "fleet.csv"), "--store", name, "--workers", "0"]
    assert main([*words, "--json", str(tmp_path / "add.json")]) == 0
    added = json.loads((tmp_path / "add.json").read_text("utf-8"))
    assert (added["added"], added["known"]) == (2, 0)
    assert [Path(one["log"]).name for one in added["not_added"]] == ["broken.log"]
    return name


def test_a_store_gives_its_page_its_trend_its_tables(
    store: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "fleet.html"
    assert main(["fleet", "report", "--store", store, "-o", str(page), "--json", str(tmp_path / "fleet.json")]) == 0
    assert "2 vehicles" in page.read_text("utf-8")
    standings = json.loads((tmp_path / "fleet.json").read_text("utf-8"))["vehicles"]
    assert {one["vehicle"] for one in standings} == {"van-01", "hatch-01"}
    capsys.readouterr()
    assert main(["fleet", "trend", "quiescent", "--store", store]) == 0
    assert "1 of 3 nights" in capsys.readouterr().out
    assert main(["fleet", "trend", "resistance", "--store", store, "--csv", "-"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 3
    for kind in ("csv", "json", "parquet"):
        assert main(["fleet", "export", "--store", store, "-o", str(tmp_path / kind), "--format", kind]) == 0
        assert (tmp_path / kind / f"standstills.{kind}").stat().st_size > 500
    assert main(["fleet", "compact", "--store", store, "--grace", "0"]) == 0
    assert main(["fleet", "learn", "--store", store, "--platform", "example-van"]) == 0


def test_a_rule_ends_with_another_code_only_where_that_is_asked(
    store: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rules = tmp_path / "watch.toml"
    rules.write_text('[[rule]]\nmetric = "stop_rate"\nabove = 200\n', encoding="utf-8")
    capsys.readouterr()
    assert main(["fleet", "watch", "--store", store, "--rules", str(rules), "--exit-code", "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["alerts"] == []


def test_pages_are_written_while_adding_and_linked(logs: Path, tmp_path: Path) -> None:
    pages, store = tmp_path / "pages", str(tmp_path / "store")
    words = ["fleet", "add", str(logs / "hatch-01.log"), "--platform", "example-hatch", "--pages", str(pages)]
    assert main([*words, "--store", store, "--workers", "0"]) == 0
    assert (pages / "hatch-01.html").exists()
    page = tmp_path / "fleet.html"
    assert main(["fleet", "report", "--store", store, "-o", str(page), "--pages", str(pages)]) == 0
    assert 'href="pages/hatch-01.html"' in page.read_text("utf-8")


def test_a_store_that_is_not_there_is_wrong_usage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["fleet", "report", "--store", str(tmp_path / "none")]) == 2
    assert "Add logs first" in capsys.readouterr().err


def test_without_the_extra_several_workers_are_refused_with_the_mend(
    logs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    words = ["fleet", "add", str(logs / "hatch-01.log"), "-p", "example-hatch", "--store", str(tmp_path / "s")]
    assert main([*words, "--workers", "2"]) == 2
    assert "idlewhy[fleet]" in capsys.readouterr().err
    assert main([*words, "--workers", "0"]) == 0


def test_the_page_can_be_narrowed_to_a_depot_and_says_what_there_is(
    store: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "north.html"
    assert main(["fleet", "report", "--store", store, "-o", str(page), "--depot", "north"]) == 0
    html = page.read_text("utf-8")
    assert "van-01" in html
    assert "hatch-01" not in html
    capsys.readouterr()
    assert main(["fleet", "report", "--store", store, "-o", str(page), "--depot", "east"]) == 2
    assert "There is: north, south." in capsys.readouterr().err


@pytest.mark.parametrize(
    "words", [("report", "-o"), ("trend", "resistance", "--csv"), ("watch", "--rules", "none.toml", "--json")]
)
def test_where_a_result_goes_is_looked_at_before_the_store_is_read(
    words: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    missing = str(tmp_path / "none" / "out")
    assert main(["fleet", *words, missing, "--store", str(tmp_path / "no-store")]) == 2
    assert "folder for the result does not exist" in capsys.readouterr().err


def test_tables_go_into_a_folder_that_can_be_made(
    store: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("x", encoding="ascii")
    assert main(["fleet", "export", "--store", store, "-o", str(tmp_path / "file" / "tables")]) == 2
    assert "The folder cannot be made" in capsys.readouterr().err
