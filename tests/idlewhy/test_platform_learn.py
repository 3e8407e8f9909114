"""`platform learn`, and the group's own manners."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from idlewhy.cli.main import main
from idlewhy.cli.platform import SUBCOMMANDS
from idlewhy.demo import make_logs
from idlewhy.platform_kit.learn import learn_rules
from signal_defs.errors import LogError
from signal_defs.load import load_platform


@pytest.fixture(scope="module")
def van_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_logs(tmp_path_factory.mktemp("van"), only=("van-01",))[0].logs[0]


@pytest.mark.parametrize("name", [*SUBCOMMANDS, "list"])
def test_every_subcommand_has_help_with_an_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["platform", name, "--help"]) == 0
    shown = capsys.readouterr().out
    assert "Example" in shown
    assert f"idlewhy platform {name}" in shown


def test_a_proposal_is_toml_with_every_condition_and_changes_no_file(van_log: Path, tmp_path: Path) -> None:
    platform = load_platform("example-van")
    assert platform.folder is not None
    before = (platform.folder / "platform.toml").read_bytes()
    out = tmp_path / "learnt.toml"
    assert main(["platform", "learn", str(van_log), "--platform", "example-van", "-o", str(out)]) == 0
    text = out.read_text(encoding="utf-8")
    names = [condition["name"] for condition in tomllib.loads(text)["idle_stop"]["condition"]]
    assert names == [condition.name for condition in platform.idle_stop.conditions]
    assert platform.sha256[:12] in text
    assert "stops" in text
    assert (platform.folder / "platform.toml").read_bytes() == before


def test_a_log_that_cannot_be_used_is_left_out_and_told(van_log: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.log"
    other.write_text("(1.0) can0 7FF#00\n", encoding="ascii")
    learned = learn_rules([van_log, other], "example-van")
    assert any("other.log" in remark for remark in learned.remarks)
    assert "From 1 recording" in learned.toml
    with pytest.raises(LogError):
        learn_rules([other], "example-van")
