"""The command as the documentation promises it: names, options, exit codes, streams, one message for each fault."""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import pytest

from idlewhy.cli.main import cli

Run = Callable[..., Any]

PROMISED = {
    "": {"demo", "inspect", "decode", "report", "compare", "platform", "fleet", "serve"},
    "platform": {"new", "check", "list", "show"},
    "fleet": {"add", "report", "trend", "export", "compact"},
}
OPTIONS = {
    "demo": {"--out"},
    "inspect": {"--json"},
    "decode": {"--platform", "-o", "--role", "--signal"},
    "report": {"--platform", "--vehicle", "-o", "--json", "--traces"},
    "compare": {"--with", "--platform", "-o"},
}


def _commands(group: click.Group, words: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Every command of the tree with the words that call it."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        yield (*words, name), command
        if isinstance(command, click.Group):
            yield from _commands(command, (*words, name))


TREE = dict(_commands(cli))


@pytest.mark.parametrize("group", PROMISED)
def test_every_promised_subcommand_is_there(group: str) -> None:
    depth = 2 if group else 1
    named = {words[-1] for words in TREE if len(words) == depth and (not group or words[0] == group)}
    assert named >= PROMISED[group]


@pytest.mark.parametrize("name", OPTIONS)
def test_every_promised_option_is_there(name: str) -> None:
    options = {spelling for option in TREE[name,].params for spelling in option.opts}
    assert options >= OPTIONS[name]


@pytest.mark.parametrize("words", [words for words in TREE if words[0] not in {"fleet", "serve", "demo"}], ids=" ".join)
def test_every_command_that_reads_logs_is_told_the_columns_of_a_csv_log(words: tuple[str, ...]) -> None:
    names = {option.name for option in TREE[words].params}
    assert ("options" in names) == ("logs" in names)


@pytest.mark.parametrize("words", TREE, ids=" ".join)
def test_every_command_of_the_tree_shows_an_example_of_itself(words: tuple[str, ...], run: Run) -> None:
    said = run(*words, "--help")
    assert said.code == 0
    assert f"\n    idlewhy {' '.join(words)}" in said.out
    assert "\\b" not in said.out


@pytest.mark.parametrize("words", [(), *(words for words, one in TREE.items() if isinstance(one, click.Group))])
def test_no_line_of_a_list_of_commands_is_cut_short(
    words: tuple[str, ...], run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    shown = run(*words, "--help").out.partition("\nCommands:\n")[2].splitlines()
    assert shown
    assert [line for line in shown if not line.endswith(".") or line.endswith("...")] == []


class TestExitCodes:
    @pytest.mark.parametrize(
        "words",
        [
            ["report"],
            ["nonsense"],
            ["report", "drive.log"],
            ["report", "drive.log", "-p", "example-van", "--language", "xx"],
            ["report", "drive.log", "-p", "example-van", "-o", "-", "--json", "-"],
            ["report", "drive.log", "-p", "example-van", "-o", "a.html", "--json", "./a.html"],
            ["report", "drive.log", "-p", "example-van", "-o", "missing/a.html"],
            ["report", "drive.log", "-p", "example-van", "-o", "."],
            ["report", "drive.log", "-p", "example-van", "--traces", "-"],
            ["report", "drive.log", "-p", "example-van", "--csv-column", "time"],
            ["report", "", "-p", "example-van"],
            ["decode", "drive.log", "-p", "example-van", "-o", "a.xlsx"],
            ["decode", "drive.log", "-p", "example-van", "-o", "a.csv", "--role", "no_such_role"],
            ["decode", "drive.log", "-p", "example-van", "-o", "a.csv", "--signal", "NoSuchSignal"],
            ["compare", "drive.log", "-p", "example-van", "-o", "a.html"],
            ["compare", "drive.log", "--with", "drive.log", "-p", "example-van", "-o", "a.html"],
            ["demo", "--out", "drive.log"],
        ],
        ids=" ".join,
    )
    def test_wrong_usage_is_two_and_leaves_nothing(
        self, words: list[str], run: Run, drive: Callable[..., Path], tmp_path: Path
    ) -> None:
        drive()
        said = run(*words)
        assert said.code == 2
        assert said.err.strip()
        assert not said.out
        assert [path.name for path in tmp_path.iterdir()] == ["drive.log"]

    @pytest.mark.parametrize("command", ["report", "inspect", "decode"])
    @pytest.mark.parametrize(
        ("name", "content"),
        [
            ("missing.log", None),
            ("folder", "folder"),
            ("empty.log", b""),
            ("junk.log", bytes(range(256)) * 200),
            ("junk.blf", b"LOGG" + bytes(range(256)) * 20),
            ("one-line.log", b"(1.0) can0 123#" + b"0" * 3_000_000),
            ("zeros.mf4", bytes(10_000)),
            ("cut.gz", b"\x1f\x8b\x08\x00"),
        ],
    )
    def test_an_input_that_holds_nothing_usable_is_three(
        self, command: str, name: str, content: bytes | str | None, run: Run, tmp_path: Path
    ) -> None:
        if content == "folder":
            (tmp_path / name).mkdir()
        elif isinstance(content, bytes):
            (tmp_path / name).write_bytes(content)
        more = {"report": ["-p", "example-van", "-o", "o.html"], "decode": ["-p", "example-van", "-o", "o.csv"]}
        said = run(command, name, *more.get(command, []))
        assert said.code == 3
        assert name in said.err + said.out
        assert "Traceback" not in said.err
        assert not list(tmp_path.glob("o.*"))
        assert not list(tmp_path.glob(".half*"))

    def test_a_log_that_may_not_be_read_is_three(
        self, run: Run, drive: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        path = drive()
        plain_open = os.open

        def refuse(named: str | Path, *how: int) -> int:
            if Path(named).name == path.name:
                raise PermissionError(13, "Permission denied", str(named))
            return plain_open(named, *how)

        monkeypatch.setattr("os.open", refuse)
        said = run("inspect", path)
        assert said.code == 3
        assert "drive.log" in said.err

    def test_one_bad_log_among_good_ones_is_named(self, run: Run, drive: Callable[..., Path], tmp_path: Path) -> None:
        (tmp_path / "bad.log").write_bytes(b"")
        said = run("inspect", drive(), "bad.log")
        assert said.code == 3
        assert "bad.log" in said.err

    def test_a_log_of_another_vehicle_says_what_is_in_it_and_what_was_expected(
        self, run: Run, drive: Callable[..., Path]
    ) -> None:
        said = run("report", drive(), "-p", "open-standard", "-o", "o.html")
        assert said.code == 3
        for named in ("drive.log", "lin0", "can0", "0x100", "open-standard", 'bus "network"', "Mend:"):
            assert named in said.err

    def test_a_defect_of_ours_is_one_and_says_how_to_report_it(
        self, run: Run, drive: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fail(*_: object, **__: object) -> None:
            raise RuntimeError("a wheel came off\x1b[2J")

        monkeypatch.setattr("decoder.inspect.inspect_logs", fail)
        said = run("inspect", drive())
        assert said.code == 1
        assert "a wheel came off" in said.err
        assert "--debug" in said.err
        assert "Traceback" not in said.err
        assert "\x1b" not in said.err

    @pytest.mark.parametrize(
        "words", [["fleet", "add", "drive.log", "-p", "example-van", "--store", "file"], ["demo", "--out", "file/sub"]]
    )
    def test_a_file_where_a_folder_is_needed_is_wrong_usage_and_no_defect(
        self, words: list[str], run: Run, drive: Callable[..., Path], tmp_path: Path
    ) -> None:
        drive()
        (tmp_path / "file").write_bytes(b"x")
        said = run(*words)
        assert said.code == 2
        assert "file" in said.err
        assert "Mend:" in said.err

    @pytest.mark.parametrize("words", [["--debug", "inspect", "missing.log"], ["inspect", "missing.log", "--debug"]])
    def test_debug_shows_the_traceback_and_keeps_the_exit_code(self, words: list[str], run: Run) -> None:
        said = run(*words)
        assert said.code == 3
        assert "Traceback" in said.err
        assert said.err.rstrip().endswith("Check the path.")

    def test_a_log_named_debug_can_still_be_named(self, run: Run) -> None:
        said = run("inspect", "--", "--debug")
        assert said.code == 3
        assert "--debug" in said.err
        assert "Traceback" not in said.err


class TestStreams:
    def test_without_a_terminal_a_report_says_one_line_on_stdout_and_nothing_on_stderr(
        self, run: Run, drive: Callable[..., Path], whole_platform: Path
    ) -> None:
        said = run("report", drive(), "-p", whole_platform, "-o", "o.html")
        assert (said.code, said.err) == (0, "")
        assert said.out.startswith("drive: Idle-stop was refused at 3 of 3 standstills")
        assert said.out.count("\n") == 1

    def test_json_on_stdout_is_nothing_but_json(
        self, run: Run, drive: Callable[..., Path], whole_platform: Path, tmp_path: Path
    ) -> None:
        log = drive()
        for words in (
            ["report", log, "-p", whole_platform, "-o", "o.html", "--json", "-"],
            ["inspect", log, "--json", "-"],
            ["platform", "list", "--json", "-"],
            ["platform", "show", whole_platform, "--json", "-"],
            ["platform", "check", whole_platform, "--json", "-"],
        ):
            said = run(*words)
            assert said.code == 0, words
            assert json.loads(said.out)["schema"].startswith("idlewhy."), words
        assert (tmp_path / "o.html").exists()

    def test_a_named_column_of_a_csv_log_is_read_by_the_platform_check(
        self, run: Run, whole_platform: Path, tmp_path: Path
    ) -> None:
        rows = "".join(f"{0.01 * n:.2f},1,100,2003FF\n" for n in range(100))
        (tmp_path / "log.csv").write_text("time,channel,Kennwort,data\n" + rows, encoding="ascii")
        words = ("platform", "check", whole_platform, "--log", "log.csv", "--json", "-")
        coverage = run(*words, "--csv-column", "identifier=Kennwort").json["coverage"]
        assert {one["role"]: one["samples"] for one in coverage}["engine_speed"] == 100
        assert run(*words).code == 3

    def test_a_comparison_on_stdout_is_nothing_but_json(
        self, run: Run, drive: Callable[..., Path], whole_platform: Path
    ) -> None:
        before, after = drive("before.log"), drive("after.log", coolant=121)
        said = run("compare", before, "--with", after, "-p", whole_platform, "-o", "o.html", "--json", "-")
        assert said.code == 0
        told = said.json
        assert (told["schema"], told["verdict"]) == ("idlewhy.comparison/1", "too early to say")
        assert told["refusals"]["standstills"] == {"before": 3, "after": 3}
        assert told["refusals"]["difference"]["value"] == 0.0
        assert {one["name"] for one in told["figures"]} >= {"soc_min", "resistance_mohm", "quiescent_ma"}
        assert all(one["change"] == "cannot be told" for one in told["figures"] if one["after"] is None)
        assert "refused at 3 of 3" in said.err

    def test_a_page_on_stdout_is_nothing_but_the_page(
        self, run: Run, drive: Callable[..., Path], whole_platform: Path
    ) -> None:
        said = run("report", drive(), "-p", whole_platform, "-o", "-")
        assert said.out.startswith("<!doctype html>")
        assert said.out.rstrip().endswith("</html>")
        assert "refused at 3 of 3" in said.err

    def test_without_out_the_page_is_named_by_the_vehicle(
        self, run: Run, drive: Callable[..., Path], whole_platform: Path, tmp_path: Path
    ) -> None:
        assert run("report", drive(), "-p", whole_platform, "--vehicle", "van 017/a").code == 0
        assert (tmp_path / "van-017-a.html").exists()

    def test_a_log_comes_through_a_pipe(self, lines: list[str]) -> None:
        ended = subprocess.run(
            [sys.executable, "-m", "idlewhy", "inspect", "-", "--json", "-"],
            input="\n".join(lines).encode(),
            capture_output=True,
            check=True,
            timeout=60,
        )
        assert json.loads(ended.stdout)["logs"][0]["frames"] == len(lines)
        assert not ended.stderr


class TestOutputs:
    @pytest.mark.parametrize("option", ["-o", "--json", "--traces"])
    @pytest.mark.parametrize("name", ["drive.log", "./drive.log", "link.log", "hard.log"])
    def test_no_result_overwrites_a_log(
        self, option: str, name: str, run: Run, drive: Callable[..., Path], lines: list[str], tmp_path: Path
    ) -> None:
        log = drive(lines=lines)
        (tmp_path / "link.log").symlink_to(log)
        os.link(log, tmp_path / "hard.log")
        before = log.read_bytes()
        said = run("report", log, "-p", "example-van", option, name)
        assert said.code == 2
        assert "overwrite" in said.err
        assert log.read_bytes() == before

    @pytest.mark.parametrize(
        "words",
        [
            ["inspect", "log.csv", "--json", "log.csv"],
            ["decode", "log.csv", "-p", "example-van", "-o", "log.csv"],
            ["compare", "a.log", "--with", "log.csv", "-p", "example-van", "-o", "log.csv"],
            ["platform", "golden", "example-van", "log.csv", "-o", "log.csv"],
            ["platform", "learn", "log.csv", "-p", "example-van", "-o", "log.csv"],
            ["platform", "check", "example-van", "--log", "log.csv", "--json", "log.csv"],
        ],
        ids=" ".join,
    )
    def test_no_other_command_overwrites_a_log_either(self, words: list[str], run: Run, tmp_path: Path) -> None:
        (tmp_path / "log.csv").write_text("time,id,data\n", encoding="ascii")
        said = run(*words)
        assert said.code == 2
        assert "overwrite" in said.err
        assert (tmp_path / "log.csv").read_text(encoding="ascii") == "time,id,data\n"

    def test_the_default_page_does_not_overwrite_a_log_either(
        self, run: Run, drive: Callable[..., Path], lines: list[str], whole_platform: Path
    ) -> None:
        log = drive("drive.html", lines=lines)
        assert run("report", log, "-p", whole_platform).code == 2
        assert log.read_text(encoding="ascii").startswith("(17")

    def test_a_link_is_followed_and_an_old_result_replaced_whole(self, run: Run, tmp_path: Path) -> None:
        (tmp_path / "real.json").write_text("x" * 100_000, encoding="ascii")
        (tmp_path / "link.json").symlink_to("real.json")
        assert run("platform", "list", "--json", "link.json").code == 0
        assert (tmp_path / "link.json").is_symlink()
        assert json.loads((tmp_path / "real.json").read_text(encoding="utf-8"))

    def test_a_device_is_written_into_and_never_replaced(self, run: Run) -> None:
        assert run("platform", "list", "--json", "/dev/null").code == 0
        full = run("platform", "list", "--json", "/dev/full")
        assert full.code == 2
        assert "/dev/full" in full.err
        for device in ("/dev/null", "/dev/full"):
            assert stat.S_ISCHR(Path(device).stat().st_mode)


SPY = """
import sys
def watch(event, arguments):
    if event.startswith("socket.") and event not in {"socket.__new__"}:
        sys.stderr.write(f"NETWORK {event} {arguments}\\n")
        raise OSError("no network here")
sys.addaudithook(watch)
from idlewhy.cli.main import main
sys.exit(main(sys.argv[1:]))
"""


def test_no_command_touches_the_network(drive: Callable[..., Path], whole_platform: Path, tmp_path: Path) -> None:
    log = str(drive())
    for words in (
        ["report", log, "-p", str(whole_platform), "-o", "o.html", "--json", "o.json", "--traces", "o.parquet"],
        ["compare", log, "--with", str(drive("after.log", sign=1, coolant=121)), "-p", str(whole_platform), "-o", "-"],
    ):
        ended = subprocess.run(
            [sys.executable, "-c", SPY, *words], capture_output=True, text=True, check=False, timeout=120, cwd=tmp_path
        )
        assert ended.returncode == 0, ended.stderr
        assert "NETWORK" not in ended.stderr
