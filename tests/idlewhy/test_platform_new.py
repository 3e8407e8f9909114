"""`platform new`: proposals by behaviour, every database there and back."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from idlewhy.cli.main import main
from idlewhy.demo import make_logs
from idlewhy.platform_kit.check import check_all
from idlewhy.platform_kit.fields import likely_fields
from idlewhy.platform_kit.new import NewPlatform, new_platform
from signal_defs.databases.read import SUFFIXES
from signal_defs.errors import UsageError
from signal_defs.load import load_platform
from signal_defs.scaffold_text import entry

SHIPPED = Path(__file__).resolve().parents[2] / "signal_defs" / "platforms"
VAN = (SHIPPED / "example-van" / "body.dbc", SHIPPED / "example-van" / "sensor.ldf")
SOURCES = {".dbc", ".kcd", ".sym", ".arxml", ".ldf"}


@pytest.fixture(scope="module")
def van_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_logs(tmp_path_factory.mktemp("van"), only=("van-01",))[0].logs[0]


def accept(folder: Path) -> None:
    """Take away the # of every proposal, as a person would who agrees with all of them."""
    file = folder / "platform.toml"
    file.write_text(re.sub(r"^#(?=[^ \n])", "", file.read_text(encoding="utf-8"), flags=re.MULTILINE), encoding="utf-8")


def test_with_all_proposals_accepted_the_van_is_the_shipped_one_again(van_log: Path, tmp_path: Path) -> None:
    made = new_platform(VAN, [van_log], folder=tmp_path / "car")
    accept(made.folder)
    got, shipped = load_platform(made.folder), load_platform("example-van")
    for role, binding in shipped.bindings.items():
        own = got.bindings[role]
        assert (own.source, own.sign, own.scale) == (binding.source, binding.sign, binding.scale), role
        assert set(own.true_when) == set(binding.true_when), role
    assert [bus.channels for bus in got.buses] == [("can0",), ("lin0",)]


def test_what_the_log_shows_is_among_the_reasons(van_log: Path, tmp_path: Path) -> None:
    made = new_platform(VAN, [van_log], folder=tmp_path / "car")

    def reasons(role: str) -> str:
        return "; ".join(str(reason) for reason in made.proposals[role][0].reasons)

    assert "it falls at" in reasons("battery_voltage")
    assert "the cranks draw negative current: charge is positive" in reasons("battery_current")
    assert "it goes from rest to over 400 rpm at" in reasons("engine_speed")
    assert "it is zero at" in reasons("vehicle_speed")
    assert "it is true at" in reasons("starter_active")
    assert "it changes slowly" in reasons("battery_temperature")


def test_the_sign_comes_from_the_cranks_whatever_the_database_calls_it(van_log: Path, tmp_path: Path) -> None:
    """The same line, with an LDF that names the current so that its name says the opposite."""
    text = VAN[1].read_text(encoding="utf-8")
    turned = tmp_path / "sensor.ldf"
    turned.write_text(re.sub(r"\bCurrent\b", "DischargeCurrent", text), encoding="utf-8")
    made = new_platform([turned], [van_log], folder=tmp_path / "car")
    best = made.proposals["battery_current"][0]
    assert best.keys["positive"] == "charge"
    assert str(best.reasons[-1]).endswith("whatever the name says")


def test_names_that_say_nothing_are_found_by_behaviour(van_log: Path, tmp_path: Path) -> None:
    """Every signal is called S1, S2, ...: voltage and current are found all the same, among all of both buses."""
    text = VAN[1].read_text(encoding="utf-8")
    for number, name in enumerate(("TerminalVoltage", "Current", "Temperature", "BatteryState", "BatteryCharge")):
        text = re.sub(rf"\b{name}\b", f"S{number}", text)
    nameless = tmp_path / "line.ldf"
    nameless.write_text(text.replace('"V"', '"V"'), encoding="utf-8")
    made = new_platform([nameless], [van_log], folder=tmp_path / "car")
    assert entry(made.proposals["battery_voltage"][0]) == 'battery_voltage = "line/S3.S0"'
    assert entry(made.proposals["battery_current"][0]) == (
        'battery_current = { from = "line/S3.S1", positive = "charge" }'
    )


def test_a_log_alone_is_answered_with_what_it_holds_and_what_is_needed(van_log: Path, tmp_path: Path) -> None:
    made = new_platform([], [van_log], folder=tmp_path / "car")
    text = (made.folder / "platform.toml").read_text(encoding="utf-8")
    assert "A log alone does not say what its bits mean" in text
    assert '#   "lin0" 0x21' in text
    tomllib.loads(text)
    codes = [finding.code for finding in check_all(made.folder).findings]
    assert codes[0] == "definition"


def test_bits_that_behave_as_the_battery_are_pointed_at_without_any_database(tmp_path: Path) -> None:
    """The hatch's LDF, which is not given, has 15 bits of 1 mV from byte 0 and 24 bits of current from byte 2."""
    log = make_logs(tmp_path, only=("hatch-01",))[0].logs[0]
    said = likely_fields([log])
    volts = '"lin0" 0x10, 15 bits from byte 0, least significant first: times 0.001 it would be volts'
    assert any(sentence.startswith(volts) for sentence in said[:2])
    assert '"lin0" 0x10, 24 bits from byte 2, least significant first: moves just then, as a current would' in said


def test_a_platform_that_is_there_is_never_overwritten(tmp_path: Path) -> None:
    new_platform(VAN, folder=tmp_path / "car")
    with pytest.raises(UsageError, match="a platform already"):
        new_platform(VAN, folder=tmp_path / "car")


def test_nothing_to_begin_from_is_wrong_usage() -> None:
    assert main(["platform", "new"]) == 2


def test_a_scaffold_of_which_nothing_is_accepted_is_refused_with_what_is_missing(tmp_path: Path) -> None:
    made = new_platform(VAN, folder=tmp_path / "car")
    whats = [str(finding.what) for finding in check_all(made.folder).findings]
    assert "battery_voltage is missing" in whats
    assert "battery_current is missing" in whats


def test_every_external_database_goes_through_new_check_and_back(external_logs: Path, tmp_path: Path) -> None:
    """Accepted as proposed each loads; voltage and current, where the database has none, are any two numbers."""
    files = sorted(path for path in external_logs.rglob("*") if path.suffix.lower() in SOURCES)
    assert len(files) > 15
    assert {end for ends in SUFFIXES.values() for end in ends} >= {path.suffix.lower() for path in files}
    loaded = 0
    for number, path in enumerate(files):
        made = new_platform([path], folder=tmp_path / f"p{number}")
        refused = check_all(made.folder).findings
        assert refused[0].code == "definition", path
        accept(made.folder)
        if not any(not s.is_bytes for bus in made.buses for message in bus.messages for s in message.signals):
            continue  # nothing to bind: two of the files have rows of bytes only, or no signal at all
        _lend_voltage_and_current(made)
        loaded += 1
        platform = load_platform(made.folder)
        assert len(platform.bindings) >= max(len(made.proposals), 2), path
        codes = {finding.code for finding in check_all(made.folder).findings}
        assert "definition" not in codes, path
        assert main(["platform", "show", str(made.folder)]) == 0
    assert loaded >= len(files) - 2


def _lend_voltage_and_current(made: NewPlatform) -> None:
    """Where nothing was proposed for the two required roles, name the first numbers of the database."""
    file = made.folder / "platform.toml"
    text = file.read_text(encoding="utf-8")
    missing = [role for role in ("battery_voltage", "battery_current") if f'{role} = "bus/message.signal"' in text]
    sources = [
        f"{bus.name}/{message.name}.{signal.name}"
        for bus in made.buses
        for message in bus.messages
        for signal in message.signals
        if not signal.is_bytes
    ]
    for role, source in zip(missing, [*sources, sources[0]], strict=False):
        text = text.replace(f'{role} = "bus/message.signal"', f'{role} = {{ from = "{source}", scale = 1.0 }}')
    file.write_text(text, encoding="utf-8")


def test_proposals_do_not_depend_on_a_run(van_log: Path, tmp_path: Path) -> None:
    texts = [
        (new_platform(VAN, [van_log], folder=tmp_path / name / "car").folder / "platform.toml").read_text("utf-8")
        for name in ("a", "b")
    ]
    assert texts[0].replace(str(tmp_path / "a"), "") == texts[1].replace(str(tmp_path / "b"), "")


def test_a_database_without_a_signal_is_said_to_have_none(tmp_path: Path) -> None:
    """A file cut off in its first signal."""
    cut = tmp_path / "cut.dbc"
    cut.write_text('VERSION ""\nBO_ 1 A: 8 X\n SG_ B : 0|8@1+ (1,0', encoding="ascii")
    made = new_platform([cut], folder=tmp_path / "car")
    assert any("defines no signal" in note for note in made.notes)
