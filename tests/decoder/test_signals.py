"""Every signal of a log, as columns and as files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from decoder.logs import open_log
from decoder.signal_files import write_signals
from decoder.signals import DecodeReport, SignalBatch, choose_columns, decode_signals
from signal_defs.databases import read_database
from signal_defs.errors import LogError, UsageError
from signal_defs.layout import MessageLayout, Multiplexed, SignalLayout
from signal_defs.platform import Battery, Binding, Bus, Platform
from signal_defs.roles import ROLES

T = 1_700_000_000
GEAR = SignalLayout("Gear", 16, 3, choices={0: "N", 1: "First"})
ENGINE = MessageLayout("Engine", 0x100, 8, (SignalLayout("Speed", 0, 16, scale=0.25, maximum=8000.0, unit="rpm"), GEAR))
MUXED = MessageLayout(
    "Muxed",
    0x101,
    8,
    (
        SignalLayout("Index", 0, 8, is_multiplexer=True),
        SignalLayout("A", 8, 8, multiplexed=Multiplexed("Index", ((1, 1),))),
        SignalLayout("Serial", 8, 32, is_bytes=True, multiplexed=Multiplexed("Index", ((2, 2),))),
    ),
)


def platform() -> Platform:
    binding = Binding(ROLES["battery_current"], "body", "Engine", "Speed", scale=2.0, sign=-1)
    bus = Bus("body", "can", ("can0",), (ENGINE, MUXED))
    return Platform("by-hand", "", (bus,), {"battery_current": binding}, Battery("agm", 70.0))


def log(path: Path, start: float = T, frames: int = 4) -> Path:
    lines = []
    for n in range(frames):
        lines.append(f"({start + n:.6f}) can0 100#{(400 * n).to_bytes(2, 'little').hex()}0{n % 3}0000000000\n")
        lines.append(f"({start + n + 0.5:.6f}) can0 101#0{n % 3}AABBCCDD000000\n")
    path.write_text("".join(lines))
    return path


def by_name(batches: list[SignalBatch]) -> dict[str, SignalBatch]:
    return {one.column.name: one for one in batches}


def test_every_signal_comes_with_its_samples(tmp_path: Path) -> None:
    report = DecodeReport()
    got = by_name(list(decode_signals([log(tmp_path / "a.log")], platform(), report=report)))
    assert got["body/Engine.Speed"].value.tolist() == [0.0, 100.0, 200.0, 300.0]
    assert got["body/Muxed.A"].value.tolist() == [0xAA]
    assert got["body/Muxed.A"].time_ns.tolist() == [(T + 1) * 10**9 + 500_000_000]
    assert got["body/Muxed.Serial"].raw.tolist() == [[0xAA, 0xBB, 0xCC, 0xDD]]
    assert report.frames == report.decoded == 8
    assert report.samples == 4 + 4 + 4 + 1 + 1


def test_a_role_comes_in_its_own_unit_and_sign(tmp_path: Path) -> None:
    columns = choose_columns(platform(), roles=["battery_current"])
    got = list(decode_signals([log(tmp_path / "a.log")], platform(), columns))
    assert [one.column.name for one in got] == ["battery_current"]
    assert got[0].column.unit == "A"
    assert got[0].value.tolist() == [0.0, -200.0, -400.0, -600.0]


@pytest.mark.parametrize("name", ["Gear", "Engine.Gear", "body/Engine.Gear"])
def test_a_signal_is_chosen_by_any_part_of_its_name(name: str) -> None:
    assert [column.signal.name for column in choose_columns(platform(), signals=[name])] == ["Gear"]


def test_an_unknown_name_is_refused_with_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="battery_current"):
        choose_columns(platform(), roles=["batery_curent"])
    with pytest.raises(UsageError, match="Speed"):
        choose_columns(platform(), signals=["Sped"])


def test_a_value_out_of_range_is_kept_and_told(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text(f"({T}.000000) can0 100#FFFF000000000000\n")
    got = by_name(list(decode_signals([path], platform())))["body/Engine.Speed"]
    assert got.value.tolist() == [16383.75]
    assert got.valid.tolist() == [False]


def test_logs_are_drawn_in_the_order_of_their_dates(tmp_path: Path) -> None:
    later, earlier = log(tmp_path / "a.log", T + 100), log(tmp_path / "b.log", T)
    got = [one.source for one in decode_signals([later, earlier, later], platform()) if one.column.signal is GEAR]
    assert got == ["b.log", "a.log"]


def test_a_log_without_any_chosen_signal_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text(f"({T}.000000) can0 7E8#00\n")
    with pytest.raises(LogError, match="0x7E8"):
        list(decode_signals([path], platform()))


def test_what_could_not_be_read_is_told(tmp_path: Path) -> None:
    path = log(tmp_path / "a.log")
    path.write_text(path.read_text() + "(no frame) at all\n")
    report = DecodeReport()
    list(decode_signals([path], platform(), report=report))
    assert any("a.log: 1 x" in note and "line 9" in note for note in report.notes)


# ---------------------------------------------------------------- files


def table(path: Path) -> Any:
    import pandas as pd

    return pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_csv(path)


@pytest.mark.parametrize("suffix", [".parquet", ".csv"])
def test_long_files_have_a_row_a_sample(tmp_path: Path, suffix: str) -> None:
    columns = choose_columns(platform())
    out = tmp_path / f"out{suffix}"
    rows = write_signals(decode_signals([log(tmp_path / "a.log")], platform(), columns), columns, out)
    frame = table(out)
    assert rows == len(frame) == 14
    gear = frame[frame["signal"] == "body/Engine.Gear"]
    assert gear["text"].tolist()[:2] == ["N", "First"]
    assert gear["text"].isna().tolist()[2]
    assert gear["value"].tolist() == [0.0, 1.0, 2.0, 0.0]
    assert frame[frame["signal"] == "body/Muxed.Serial"]["text"].tolist() == ["AABBCCDD"]
    assert str(frame["time"].iloc[0]).startswith("2023-11-14 22:13:20")
    assert list(tmp_path.glob("*.part")) == []


@pytest.mark.parametrize("suffix", [".parquet", ".csv"])
def test_wide_files_have_a_row_an_instant(tmp_path: Path, suffix: str) -> None:
    columns = choose_columns(platform())
    out = tmp_path / f"out{suffix}"
    logs = [log(tmp_path / "a.log"), log(tmp_path / "b.log", T + 50)]
    rows = write_signals(decode_signals(logs, platform(), columns), columns, out, "wide")
    frame = table(out)
    assert rows == len(frame) == 16
    assert list(frame.columns) == ["time", *(column.name for column in columns)]
    assert frame["body/Engine.Speed"].dropna().tolist() == [0.0, 100.0, 200.0, 300.0] * 2
    assert frame["time"].is_monotonic_increasing


def test_a_log_without_a_date_has_seconds(tmp_path: Path) -> None:
    columns = choose_columns(platform())
    out = tmp_path / "out.csv"
    write_signals(decode_signals([log(tmp_path / "a.log", 5.0)], platform(), columns), columns, out)
    assert table(out)["time"].iloc[0] == 5.0


def test_logs_with_and_without_a_date_are_not_one_table(tmp_path: Path) -> None:
    columns = choose_columns(platform())
    out = tmp_path / "out.csv"
    logs = [log(tmp_path / "a.log"), log(tmp_path / "b.log", 5.0)]
    with pytest.raises(UsageError, match="knows the date"):
        write_signals(decode_signals(logs, platform(), columns), columns, out)
    assert not out.exists()
    assert list(tmp_path.glob("*.part")) == []


def test_another_suffix_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="parquet"):
        write_signals([], (), tmp_path / "out.xlsx")


# ---------------------------------------------------------------- a real log and its database


def test_a_real_log_decodes_as_cantools_decodes_it(external_logs: Path) -> None:
    import cantools

    folder = external_logs / "mf4-gnss"
    path = folder / "2F6913DB-00001089b.MF4"
    database = cantools.database.load_file(folder / "gnss.dbc")
    bus = Bus("gnss", "can", (), read_database(folder / "gnss.dbc", "can"))
    real = Platform("gnss", "", (bus,), {}, Battery("agm", 70.0))
    report = DecodeReport()
    ours: dict[str, dict[int, float]] = {}
    for one in decode_signals([path], real, report=report):
        column = ours.setdefault(f"{one.column.message}.{one.column.signal.name}", {})
        column.update(zip(one.time_ns.tolist(), one.value.tolist(), strict=True))
    assert (report.frames, report.decoded) == (3587, 3283)  # source: counted with asammdf and cantools
    by_id = {message.frame_id: message for message in database.messages}
    compared = 0
    for batch in open_log(path).batches():
        for time_ns, identifier, length, payload in zip(
            batch.time_ns.tolist(), batch.identifier.tolist(), batch.length.tolist(), batch.payload, strict=True
        ):
            if identifier in by_id:
                message = by_id[identifier]
                for name, expected in message.decode(payload[:length].tobytes(), decode_choices=False).items():
                    assert ours[f"{message.name}.{name}"][time_ns] == float(expected)
                    compared += 1
    assert compared > 10_000
    acceleration = np.sqrt(sum(np.array(list(ours[f"gnss_imu.Acceleration{axis}"].values())) ** 2 for axis in "XYZ"))
    assert np.median(acceleration) == pytest.approx(9.81, abs=0.5)  # [m/s2] standing or driving gently, gravity rules
