"""The README of signal_defs: its table of roles, its keys, and its guide, run as written."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

import signal_defs
from idlewhy.cli.main import main
from signal_defs import keys
from signal_defs.load import load_platform
from signal_defs.roles import ROLES

HERE = Path(signal_defs.__file__).parent
TEXT = (HERE / "README.md").read_text(encoding="utf-8")
HATCH = HERE / "platforms" / "example-hatch"


def _blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", TEXT, re.MULTILINE | re.DOTALL)


def test_the_table_of_roles_is_the_table_in_the_code() -> None:
    table = TEXT.split("| role | unit | kind | meaning |\n|---|---|---|---|\n")[1].strip().splitlines()
    assert table == [f"| `{r.name}` | {r.unit or '-'} | {r.kind} | {r.meaning} |" for r in ROLES.values()]


def test_every_key_of_the_file_is_explained() -> None:
    reference = TEXT.split("## platform.toml")[1].split("## Where platforms are found")[0]
    tables = {"bus", "signals", "battery", "idle_stop", "condition", "golden", "protection"}
    groups = (
        keys.TOP,
        keys.BUS,
        keys.SIGNAL,
        keys.BATTERY,
        keys.IDLE_STOP,
        keys.CONDITION,
        keys.GOLDEN,
        keys.PROTECTION,
    )
    for key in {key for group in groups for key in group} - tables:
        assert f"`{key}`" in reference, key


def _log(path: Path) -> None:
    """Two minutes of the sensor's line as a candump log: at rest, a crank, the engine running."""
    message = load_platform("example-hatch").bus("sensor").message("SensorFast")
    assert message.identifier == 0x10
    lines = []
    for step in range(9600):
        t = step * 0.0125  # the schedule: four of five slots of 10 ms
        cranking, running = 60.0 <= t < 60.4, t >= 60.4
        volts, amps = (9.8, -450.0) if cranking else (14.2, 20.0) if running else (12.5, -0.02)
        raw_current = round((-amps + 2000.0) / 0.001)  # this sensor counts discharge as positive
        word = round(volts / 0.001) | 1 << 15 | raw_current << 16 | round((20.0 + 40.0) / 0.5) << 40
        lines.append(f"({1700000000 + t:.6f}) sllin0 010#{word.to_bytes(6, 'little').hex().upper()}\n")
        if step % 4 == 0:
            slow = 80 | 95 << 8 | 600 << 16
            lines.append(f"({1700000000 + t + 0.005:.6f}) sllin0 011#{slow.to_bytes(4, 'little').hex().upper()}\n")
    path.write_text("".join(lines), encoding="utf-8")


def test_the_guide_works_as_written_from_an_ldf_to_a_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    _log(tmp_path / "monday.log")
    commands = [shlex.split(line) for block in _blocks("sh") for line in block.splitlines()]
    ran = []
    for command in commands:
        if command[0] == "cp":
            shutil.copy(HERE.parent / command[1], tmp_path / command[2])
            continue
        assert command[0] == "idlewhy", f"the guide has a command that is not known here: {command}"
        assert main(command[1:]) == 0, command
        output = capsys.readouterr().out
        ran.append(" ".join(command[1:3] if command[1] == "platform" else command[1:2]))
        if command[1:3] == ["platform", "new"]:
            _accept_as_shown(tmp_path / "my-car" / "platform.toml")
        if command[1:3] == ["platform", "check"]:
            assert "my-car: 0 errors, 0 warnings" in output, output
    assert ran == [
        "inspect",
        "platform new",
        *["platform check"] * 2,
        *["platform show"] * 2,
        "decode",
        "platform golden",
        "report",
        "platform learn",
    ]
    assert "battery_current" in (tmp_path / "monday.csv").read_text(encoding="utf-8")
    for page in ("my-car.html", "my-car-platform.html"):
        assert (tmp_path / page).stat().st_size > 1000


def _accept_as_shown(file: Path) -> None:
    """Every line of the guide's [signals] and conditions is a proposal of the file; then the file is as shown."""
    proposed = {line[1:] for line in file.read_text(encoding="utf-8").splitlines() if re.match(r"#[^ ]", line)}
    guide = _blocks("toml")[0]
    for part in ("[signals]", "[[idle_stop.condition]]"):
        for line in guide.split(part)[1].split("\n\n")[0].strip().splitlines():
            assert line in proposed, line
    file.write_text(guide, encoding="utf-8")


def test_the_golden_frame_of_the_reference_is_one(tmp_path: Path) -> None:
    shutil.copy(HATCH / "sensor.ldf", tmp_path)
    guide, golden, _ = _blocks("toml")
    (tmp_path / "platform.toml").write_text(f"{guide}\n{golden}", encoding="utf-8")
    (frame,) = load_platform(tmp_path).golden
    signals = load_platform("example-hatch").bus("sensor").message("SensorFast")
    word = int.from_bytes(frame.data, "little")
    for name, role in (("Voltage", "battery_voltage"), ("PoleTemperature", "battery_temperature")):
        layout = signals.signal(name)
        raw = word >> layout.start & ((1 << layout.length) - 1)
        assert raw * layout.scale + layout.offset == pytest.approx(frame.roles[role])
