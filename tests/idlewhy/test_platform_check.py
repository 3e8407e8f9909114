"""`platform check` against logs: what a log shows to be wrong with a definition."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from idlewhy.cli.main import main
from idlewhy.demo import make_logs
from idlewhy.platform_kit.check import check_all
from signal_defs.check_finding import CheckFinding

SHIPPED = Path(__file__).resolve().parents[2] / "signal_defs" / "platforms"
Car = Callable[..., Path]


@pytest.fixture(scope="module")
def van_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_logs(tmp_path_factory.mktemp("van"), only=("van-01",))[0].logs[0]


@pytest.fixture
def car(tmp_path: Path) -> Car:
    """A copy of the van, without golden frames, with texts replaced: (file, old, new)."""

    def make(*changes: tuple[str, str, str], more: str = "") -> Path:
        folder = tmp_path / "car"
        shutil.copytree(SHIPPED / "example-van", folder)
        toml = folder / "platform.toml"
        toml.write_text(toml.read_text(encoding="utf-8").split("\n[[golden]]")[0] + more, encoding="utf-8")
        for name, old, new in changes:
            text = (folder / name).read_text(encoding="utf-8")
            assert old in text, old
            (folder / name).write_text(text.replace(old, new), encoding="utf-8")
        return folder

    return make


def _codes(findings: Iterable[CheckFinding], weight: str = "") -> set[str]:
    return {finding.code for finding in findings if finding.weight == weight or not weight}


def _of(findings: Iterable[CheckFinding], code: str) -> CheckFinding:
    return next(finding for finding in findings if finding.code == code)


def test_the_van_s_own_log_shows_no_error(van_log: Path) -> None:
    checked = check_all("example-van", [van_log])
    assert _codes(checked.findings, "error") == set()
    assert _codes(checked.findings, "warning") == {"never_valid"}  # its reasons: this fleet tells none
    assert _of(checked.findings, "cycle_time").weight == "note"  # the demo's logger keeps fewer frames than the bus has
    rows = {row.role: row for row in checked.coverage}
    assert rows["battery_voltage"].samples > 10_000
    assert rows["idle_stop_reason"].valid_share == 0.0


PLATFORM = "platform.toml"
BROKEN = [
    ("cycle_time", "warning", (("body.dbc", '"GenMsgCycleTime" BO_ 864 100;', '"GenMsgCycleTime" BO_ 864 1000;'),)),
    ("sign_wrong", "error", ((PLATFORM, 'positive = "charge"', 'positive = "discharge"'),)),
    (
        "voltage_scale",
        "error",
        (
            (
                PLATFORM,
                '"sensor/BatteryState.TerminalVoltage"',
                '{ from = "sensor/BatteryState.TerminalVoltage", scale = 0.1 }',
            ),
        ),
    ),
    (
        "current_at_cranks",
        "warning",
        ((PLATFORM, 'Current", positive = "charge"', 'Current", positive = "charge", scale = 0.01'),),
    ),
    ("zero_off", "warning", ((PLATFORM, 'Current", positive = "charge"', 'Current", offset = 0.5'),)),
    (
        "second_voltage",
        "warning",
        ((PLATFORM, '"body/BoardNet.BoardVoltage"', '{ from = "body/BoardNet.BoardVoltage", offset = 1.5 }'),),
    ),
    (
        "temperature_soak",
        "warning",
        (
            (
                PLATFORM,
                '"sensor/BatteryState.Temperature"',
                '{ from = "sensor/BatteryState.Temperature", offset = 25.0 }',
            ),
        ),
    ),
    (
        "temperature_scale",
        "error",
        ((PLATFORM, '"body/Ambient.Temperature"', '{ from = "body/Ambient.Temperature", offset = -273.0 }'),),
    ),
    (
        "condition_never_met",
        "warning",
        (
            (
                PLATFORM,
                'hood_open                 = { from = "body/Doors.Hood", true_when = ["Open", "NotLatched"] }',
                'hood_open                 = { from = "body/Doors.Hood", true_when = ["Closed"] }',
            ),
        ),
    ),
    (
        "starter_at_cranks",
        "warning",
        (
            (
                PLATFORM,
                'starter_active            = { from = "body/Engine.Starter"',
                'starter_active            = { from = "body/BoardNet.JumpStart"',
            ),
            (PLATFORM, 'true_when = ["Engaged"]', 'true_when = ["Seen"]'),
        ),
    ),
    (
        "never_seen",
        "warning",
        (("body.dbc", "BO_ 160 Engine", "BO_ 161 Engine"), ("body.dbc", "VAL_ 160 ", "VAL_ 161 ")),
    ),
    ("frame_short", "warning", (("body.dbc", "Motion: 8 ", "Motion: 12 "),)),
]


@pytest.mark.parametrize(("code", "weight", "changes"), BROKEN, ids=[row[0] for row in BROKEN])
def test_a_log_shows_what_is_broken(
    code: str, weight: str, changes: tuple[tuple[str, str, str], ...], van_log: Path, car: Car
) -> None:
    folder = car(*changes)
    assert code not in _codes(check_all(folder).findings), "without the log nothing tells"
    findings = check_all(folder, [van_log]).findings
    found = _of(findings, code)
    assert found.weight == weight
    assert str(found.what)
    assert str(found.mend)
    others = _codes(findings, "error") - {code, "threshold_never_met"}  # a scale may be told without a log too
    assert not others


def test_values_out_of_the_database_s_range_are_told(van_log: Path, car: Car) -> None:
    folder = car()
    text = (folder / "body.dbc").read_text(encoding="utf-8")
    narrow = re.sub(r"(SG_ VehicleSpeed : \S+ \([^)]*\)) \[[^\]]*\]", r"\1 [0|20]", text)
    assert narrow != text
    (folder / "body.dbc").write_text(narrow, encoding="utf-8")
    found = _of(check_all(folder, [van_log]).findings, "out_of_range")
    assert found.place == "body/Motion.VehicleSpeed"
    assert "outside 0 to 20 km/h" in str(found.what)


def test_a_sign_by_the_steps_of_the_current_where_no_crank_is_seen(van_log: Path, car: Car, tmp_path: Path) -> None:
    """The log's lines from 3 s after a crank to 3 s before the next, by the starter's own flag; the sign is turned."""
    lines = van_log.read_text(encoding="ascii").splitlines()
    times = [float(line[1 : line.index(")")]) for line in lines]
    engaged = [t for t, line in zip(times, lines, strict=True) if " can0 0A0#" in line and _starter(line)]
    ends = [*engaged, times[-1]]
    start, end = max(zip(engaged, ends[1:], strict=False), key=lambda span: min(span[1] - span[0], 900.0))
    part = tmp_path / "between.log"
    kept = [line for t, line in zip(times, lines, strict=True) if start + 3.0 < t < min(end - 3.0, start + 900.0)]
    part.write_text("\n".join(kept) + "\n", encoding="ascii")
    folder = car((PLATFORM, 'positive = "charge"', 'positive = "discharge"'))
    found = _of(check_all(folder, [part]).findings, "sign_wrong")
    assert "Over" in str(found.what)


def _starter(line: str) -> bool:
    """By the van's DBC, read with cantools."""
    global _ENGINE  # noqa: PLW0603 - read once
    if _ENGINE is None:
        import cantools

        _ENGINE = cantools.database.load_file(SHIPPED / "example-van" / "body.dbc").get_message_by_name("Engine")
    decoded = _ENGINE.decode(bytes.fromhex(line.split("#")[1]), decode_choices=True)
    return str(decoded["Starter"]) == "Engaged"


_ENGINE = None


def test_golden_frames_written_are_golden_frames_met_and_a_moved_bit_is_found(van_log: Path, car: Car) -> None:
    folder = car()
    out = folder / "golden.toml"
    assert main(["platform", "golden", str(folder), str(van_log), "-o", str(out)]) == 0
    toml = folder / "platform.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + out.read_text(encoding="utf-8"), encoding="utf-8")
    out.unlink()
    assert "golden" not in _codes(check_all(folder).findings)
    text = (folder / "body.dbc").read_text(encoding="utf-8")
    moved = re.sub(r"(SG_ VehicleSpeed : \S+ \()[^,]*,", r"\g<1>0.02,", text)
    assert moved != text
    (folder / "body.dbc").write_text(moved, encoding="utf-8")
    found = _of(check_all(folder).findings, "golden")
    assert found.weight == "error"
    assert "vehicle_speed decodes to" in str(found.what)


def test_golden_values_are_what_cantools_decodes(van_log: Path) -> None:
    """Numbers of CAN frames drawn from the log, against an independent decoder."""
    import cantools

    from idlewhy.platform_kit.golden import golden_frames
    from signal_defs.load import load_platform

    platform = load_platform("example-van")
    database = cantools.database.load_file(SHIPPED / "example-van" / "body.dbc")
    compared = 0
    for golden in golden_frames(platform, [van_log]):
        if golden.bus != "body":
            continue
        physical = database.decode_message(golden.identifier, golden.data, decode_choices=False)
        for role, value in golden.roles.items():
            binding = platform.bindings[role]
            if isinstance(value, float) and binding.role.kind == "number":
                expected = physical[binding.signal] * binding.scale + binding.offset
                assert value == pytest.approx(abs(expected) if binding.role.unit == "deg" else expected)
                compared += 1
    assert compared > 20


def test_a_broken_definition_is_told_and_ends_with_four(
    van_log: Path, car: Car, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = car((PLATFORM, "body/Engine.Speed", "body/Engine.Sped"))
    assert main(["platform", "check", str(folder), "--log", str(van_log)]) == 4
    shown = capsys.readouterr().out
    assert "message 'Engine' has no signal 'Sped'" in shown
    assert "The logs were not looked at" in shown


def test_the_json_says_the_same(van_log: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["platform", "check", "example-van", "--log", str(van_log), "--json", "-"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["schema"] == "idlewhy.platform-check/1"
    assert len(said["coverage"]) == 62
    assert {"code", "weight", "place", "what", "mend"} == set(said["findings"][0])


def test_a_log_of_another_vehicle_is_an_input_fault(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    log.write_text("(1.0) can0 7FF#00\n(2.0) can0 7FF#00\n", encoding="ascii")
    assert main(["platform", "check", "example-van", "--log", str(log)]) == 3
