"""Static checks: each finds what it is for, with place, weight and mend."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from signal_defs.check import CheckFinding, check_platform
from signal_defs.check_layouts import bits, can_be_together, parameter_group
from signal_defs.errors import DefinitionError
from signal_defs.layout import Multiplexed, SignalLayout

Changed = Callable[..., Path]


@pytest.mark.parametrize("name", ["example-van", "example-hatch", "open-standard"])
def test_the_shipped_platforms_are_clean(name: str) -> None:
    assert [finding for finding in check_platform(name) if finding.weight != "note"] == []


def _found(folder: Path, code: str) -> list[CheckFinding]:
    return [finding for finding in check_platform(folder) if finding.code == code]


def _only(folder: Path, code: str) -> CheckFinding:
    (finding,) = _found(folder, code)
    assert str(finding.mend)
    return finding


def _database(folder: Path, old: str, new: str, name: str = "body.dbc") -> Path:
    file = folder / name
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    return folder


def test_signals_that_share_bits_are_an_error_where_a_role_is_bound(changed: Changed) -> None:
    folder = _database(changed(), "SG_ Accelerator : 28|8", "SG_ Accelerator : 26|8")
    finding = _only(folder, "overlap")
    assert (finding.weight, finding.place) == ("error", "body/Engine.Accelerator")
    assert str(finding.what) == "The signal shares bits with Torque."


def test_signals_that_share_bits_are_a_warning_where_none_is_bound(changed: Changed) -> None:
    folder = _database(changed(), "SG_ LeftLamp : 2|2", "SG_ LeftLamp : 3|2")
    assert _only(folder, "overlap").weight == "warning"


def test_a_signal_outside_the_frame_is_found(changed: Changed) -> None:
    finding = _only(_database(changed(), "BO_ 160 Engine: 8", "BO_ 160 Engine: 7"), "outside_frame")
    assert finding.place == "body/Engine.Crc"
    assert str(finding.what) == "The signal ends in byte 8, the message has 7 bytes."


def test_an_unreachable_range_is_found(changed: Changed) -> None:
    finding = _only(_database(changed(), "(0.25,0) [0|8000]", "(0.25,0) [0|80000]"), "range_unreachable")
    assert (finding.weight, finding.place) == ("warning", "body/Engine.Speed")
    assert "0 to 16383.8" in str(finding.what)  # by hand: 65535 * 0.25 = 16383.75


def test_a_missing_code_for_not_available_is_found(changed: Changed) -> None:
    folder = _database(changed(), 'VAL_ 160 Accelerator 255 "SNA" 254 "Error" ;\n', "")
    finding = _only(folder, "no_invalid_code")
    assert finding.weight == "warning"
    assert str(finding.mend) == "If it means not available, write invalid = [255]."


def test_an_explicit_scale_that_differs_from_the_units_is_found(changed: Changed) -> None:
    folder = changed(('"body/Engine.Speed"', '{ from = "body/Engine.Speed", scale = 2.0 }'))
    assert _only(folder, "unit_clash").weight == "warning"


def test_a_unit_nobody_knows_is_found(changed: Changed) -> None:
    folder = _database(changed(), '[0|8000] "rpm"', '[0|8000] "furlong"')
    assert str(_only(folder, "unit_unknown").what) == "The database says furlong; rpm is taken for granted."


def test_a_role_that_no_condition_names_is_a_note() -> None:
    codes = {(finding.code, finding.weight) for finding in check_platform("example-van")}
    assert codes == {("role_unused", "note")}


def test_a_condition_without_a_signal_can_never_be_judged(changed: Changed) -> None:
    folder = changed(('trailer_connected         = { from = "body/Trailer.Socket", true_when = ["Connected"] }\n', ""))
    finding = _only(folder, "condition_never_judged")
    assert finding.weight == "warning"
    assert "[[" not in str(finding.what)


def test_a_condition_that_the_estimate_can_judge_is_a_note(changed: Changed) -> None:
    folder = changed(('battery_soc               = "sensor/BatteryCharge.StateOfCharge"\n', ""))
    assert _only(folder, "condition_by_estimate").weight == "note"


@pytest.mark.parametrize(
    ("old", "new", "code", "weight"),
    [
        ("at_least = 40.0\nhysteresis = 2.0", "at_least = 400.0", "threshold_never_met", "error"),
        ("at_least = 40.0\nhysteresis = 2.0", "at_least = -40.0", "threshold_always_met", "warning"),
        ("at_least = 40.0\nhysteresis = 2.0", "at_least = 40.0\nhysteresis = 200.0", "hysteresis_too_wide", "error"),
        ("at_most = 60.0", "at_most = -5.0", "conditions_contradict", "error"),
        ("at_most = 12.0", "at_most = -1.0", "threshold_never_met", "error"),
    ],
)
def test_a_threshold_outside_the_signal_s_range_is_found(
    changed: Changed, old: str, new: str, code: str, weight: str
) -> None:
    assert _only(changed((old, new)), code).weight == weight


def test_a_current_that_can_only_charge_is_an_error(changed: Changed) -> None:
    folder = _database(changed(), '0.001, -2000, "A"', '0.001, 0, "A"', "sensor.ldf")
    assert _only(folder, "sign_one_sided").weight == "error"


def test_a_current_too_small_for_a_crank_is_a_warning(changed: Changed) -> None:
    # J1939 SPN 114 reaches -125 A
    folder = changed(
        ('{ from = "network/DC_SOURCE_STATUS_1.Current", positive = "discharge" }', '"network/VEP1.NetBatteryCurrent"'),
        base="open-standard",
    )
    assert "-125 A" in str(_only(folder, "range_too_small_for_cranks").what)


def test_one_signal_for_two_roles_is_found(changed: Changed) -> None:
    folder = changed(('"body/EngineThermal.Oil"', '"body/Engine.Coolant"'))
    assert str(_only(folder, "signal_twice").what) == "oil_temperature and coolant_temperature are the same signal."


def test_two_messages_with_one_identifier_are_found(changed: Changed) -> None:
    twin = 'BO_ 881 Twin: 8 Body\n SG_ Any : 0|8@1+ (1,0) [0|0] "" Logger\n\n'
    finding = _only(_database(changed(), "BO_ 881 Wipers", f"{twin}BO_ 881 Wipers"), "identifier_twice")
    assert (finding.weight, finding.place) == ("warning", "body/Wipers")
    assert str(finding.what) == "Twin has the same identifier 0x371."


def test_what_the_loader_refuses_is_among_the_findings_and_the_rest_is_checked(changed: Changed) -> None:
    folder = changed(("body/Engine.Speed", "body/Engine.Sped"), ("at_most = 12.0", "at_most = -1.0"))
    findings = check_platform(folder)
    assert [finding.code for finding in findings if finding.weight == "error"] == ["definition", "threshold_never_met"]
    assert str(findings[0].mend) == "Did you mean Speed?"


def test_a_platform_that_is_not_there_is_an_error_of_the_call() -> None:
    with pytest.raises(DefinitionError, match="There is no platform"):
        check_platform("nowhere")


def test_a_file_that_is_no_toml_is_a_finding(changed: Changed) -> None:
    (finding,) = check_platform(changed(('kind = "can"', 'kind = can"')))
    assert (finding.code, finding.weight) == ("definition", "error")


def test_every_external_database_is_checked_without_a_crash(external_logs: Path, tmp_path: Path) -> None:
    from signal_defs.databases import SUFFIXES

    for path in sorted(external_logs.rglob("*")):
        kind = "can" if path.suffix in SUFFIXES["can"] else "lin" if path.suffix in SUFFIXES["lin"] else None
        if kind is None:
            continue
        folder = tmp_path / path.name.replace(".", "-")
        folder.mkdir()
        (folder / path.name).write_bytes(path.read_bytes())
        text = f'schema = 1\nid = "x"\ntitle = "X"\n[[bus]]\nname = "b"\nkind = "{kind}"\ndatabases = ["{path.name}"]\n'
        (folder / "platform.toml").write_text(text + '[battery]\ntype = "agm"\ncapacity_ah = 70\n', encoding="utf-8")
        findings = check_platform(folder)
        assert [str(f.what) for f in findings if f.weight == "error"] == ["no [signals] are given"]


@pytest.mark.parametrize(
    ("start", "length", "byte_order", "taken"),
    [
        (0, 8, "little", 0xFF),
        (4, 8, "little", 0xFF0),
        (7, 8, "big", 0xFF),
        (7, 16, "big", 0xFFFF),
        (3, 8, "big", 0xF00F),  # by hand: bits 3..0 of byte 0, then 7..4 of byte 1
    ],
)
def test_the_bits_of_a_signal(start: int, length: int, byte_order: str, taken: int) -> None:
    order = "little" if byte_order == "little" else "big"
    assert bits(SignalLayout("s", start, length, byte_order="little" if order == "little" else "big")) == taken


def test_signals_of_different_multiplexer_values_never_meet() -> None:
    mux = SignalLayout("mux", 0, 8, is_multiplexer=True)
    inner = SignalLayout("inner", 8, 8, is_multiplexer=True, multiplexed=Multiplexed("mux", ((1, 1),)))
    one = SignalLayout("one", 16, 8, multiplexed=Multiplexed("inner", ((0, 3),)))
    same = SignalLayout("same", 16, 8, multiplexed=Multiplexed("inner", ((3, 4),)))
    other = SignalLayout("other", 16, 8, multiplexed=Multiplexed("mux", ((2, 5),)))
    signals = (mux, inner, one, same, other)
    assert can_be_together(one, same, signals)
    assert not can_be_together(one, other, signals)
    assert can_be_together(mux, one, signals)


@pytest.mark.parametrize(
    ("identifier", "group"),
    [(0x18FEF7FE, 65271), (0x0CF00400, 61444), (0x18EAFF12, 0xEA00), (0x19FFFD80, 0x1FFFD)],
)
def test_the_parameter_group_of_an_identifier(identifier: int, group: int) -> None:
    assert parameter_group(identifier) == group  # J1939-21: below 240 the second byte is a destination
