"""What scripts rely on in analysis.json and in the traces, from log files through the command."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import jsonschema
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from idlewhy.cli.main import main

Run = Callable[..., Any]
Make = Callable[..., Path]

START_S = 1_741_000_000  # what the drive's clock begins with
FIGURE = {"value", "low", "high"}

# Every key that is promised, part by part.
KEYS = {
    "": "schema vehicle platform recording signals battery standstills starts rests findings unknown",
    "recording": "sources start end duration_s frames frames_decoded frames_rejected",
    "recording.sources": "name sha256 format bytes",
    "recording.frames_rejected": "lin_checksum truncated",
    "signals": "role source samples rate_hz gaps longest_gap_s",
    "battery": "type capacity_nominal_ah soc_start soc_end soc_min capacity_ah soh_percent resistance_mohm "
    "current_offset_a charged_ah discharged_ah quiescent_ma next_crank_min_v",
    "standstills": "t_start t_end outcome ended_by reasons unknown_conditions explained",
    "standstills.reasons": "condition group role value threshold unit failing_since_t",
    "starts": "t kind min_v peak_a crank_s to_idle_s resistance_mohm temperature_c",
    "rests": "t_start t_end end_v mean_ma soc_from_ocv",
    "findings": "code weight title evidence next_checks",
}
SENTENCES = {  # how the sentence of a figure that is null begins
    "soc_start": "SoC at the start",
    "soc_end": "SoC at the end",
    "soc_min": "lowest SoC",
    "capacity_ah": "capacity",
    "soh_percent": "SoH of capacity",
    "resistance_mohm": "resistance",
    "current_offset_a": "offset of the current sensor",
    "quiescent_ma": "quiescent current",
    "next_crank_min_v": "lowest voltage of the next crank",
}


def _parked(lines: list[str], minutes: int) -> list[str]:
    """The drive, and before it a rest without any traffic on the body's bus, a sample a second."""
    text = lines[0].partition("#")[2]
    return [f"({START_S - 60 * minutes + second}.000) lin0 021#{text}" for second in range(60 * minutes)] + lines


@pytest.fixture(scope="module")
def analysis(lines: list[str], whole_platform: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The drive after two hours of rest."""
    folder = tmp_path_factory.mktemp("analysis")
    log, page, out = folder / "drive.log", folder / "o.html", folder / "o.json"
    log.write_text("\n".join(_parked(lines, 120)) + "\n", encoding="ascii")
    assert main(["report", str(log), "-p", str(whole_platform), "-o", str(page), "--json", str(out)]) == 0
    return json.loads(out.read_text(encoding="utf-8"))


def _parts(value: Any, path: list[str]) -> Iterator[dict[str, Any]]:
    """Every object at a path; lists are walked."""
    if isinstance(value, list):
        for one in value:
            yield from _parts(one, path)
    elif path:
        yield from _parts(value[path[0]], path[1:])
    else:
        yield value


def test_every_promised_key_is_there(analysis: Any) -> None:
    for where, keys in KEYS.items():
        parts = list(_parts(analysis, where.split(".") if where else []))
        assert parts, where
        for part in parts:
            assert set(part) >= set(keys.split()), where


def test_it_fits_the_schema_that_the_package_ships(analysis: Any) -> None:
    schema = json.loads(files("reports").joinpath("schema/analysis-1.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator(schema).validate(analysis)
    assert analysis["schema"] == "idlewhy.analysis/1"


def test_words_come_from_the_lists_that_are_promised(analysis: Any) -> None:
    for one in analysis["standstills"]:
        assert one["outcome"] in {"stopped", "cut_short", "refused", "not_sought"}
        assert one["ended_by"] in {"driver", "system", "unknown"}
    assert {one["kind"] for one in analysis["starts"]} <= {"first", "restart"}
    assert {one["weight"] for one in analysis["findings"]} <= {"note", "check", "act"}
    assert analysis["battery"]["type"] == "agm"


def test_instants_are_utc_with_milliseconds_and_t_counts_from_the_first_frame(analysis: Any) -> None:
    recording = analysis["recording"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", recording["start"])
    assert recording["start"] == "2025-03-03T09:06:40.000Z"  # by hand: two hours before 1 741 000 000 s after 1970
    assert recording["end"] == "2025-03-03T11:13:19.900Z"
    assert recording["duration_s"] == 7200 + 399.9
    assert analysis["starts"][0]["t"] == pytest.approx(7200 + 100.0, abs=0.1)
    refused = [one for one in analysis["standstills"] if one["outcome"] == "refused"]
    begun = [one["t_start"] for one in refused]
    assert begun == pytest.approx([7200 + 170, 7200 + 240, 7200 + 310], abs=0.2)


def test_every_figure_is_a_band_in_order_or_null_with_its_sentence(analysis: Any) -> None:
    unknown = analysis["unknown"]
    for name, beginning in SENTENCES.items():
        figure = analysis["battery"][name]
        if figure is None:
            assert any(sentence.startswith(f"{beginning}: ") and len(sentence) > 40 for sentence in unknown), name
        else:
            assert set(figure) == FIGURE
            assert figure["low"] <= figure["value"] <= figure["high"]
    assert analysis["battery"]["capacity_ah"] is None  # two hours and one drive cannot carry it
    assert analysis["battery"]["soc_start"] is not None


def test_drawn_current_is_negative_and_charges_are_magnitudes(analysis: Any) -> None:
    battery = analysis["battery"]
    assert analysis["starts"][0]["peak_a"] == -400.0
    assert all(one["mean_ma"] < 0 for one in analysis["rests"])
    # By hand: 20 A from 100.6 s to 390 s; 400 A for 0.6 s, and 0.05 A for two hours, 100 s and 10 s.
    assert battery["charged_ah"] == pytest.approx(20 * 289.4 / 3600, abs=0.005)
    assert battery["discharged_ah"] == pytest.approx(400 * 0.6 / 3600 + 0.05 * 7310 / 3600, abs=0.005)
    assert battery["soc_end"]["value"] > battery["soc_start"]["value"]


def test_a_refusal_names_value_threshold_unit_and_since_when(analysis: Any) -> None:
    refused = [one for one in analysis["standstills"] if one["outcome"] == "refused"]
    assert len(refused) == 3
    for one in refused:
        (reason,) = one["reasons"]
        assert one["explained"] is True
        assert (reason["condition"], reason["group"], reason["role"]) == (
            "state of charge",
            "electrical",
            "battery_soc",
        )
        assert (reason["value"], reason["threshold"], reason["unit"]) == (71.0, 75.0, "%")
        assert 0.0 <= reason["failing_since_t"] <= one["t_start"]


def test_logs_of_one_vehicle_in_any_order_are_one_recording(
    run: Run, drive: Make, lines: list[str], whole_platform: Path
) -> None:
    third = len(lines) // 3
    parts = [drive(f"{n}.log", lines[n * third : (n + 1) * third if n < 2 else None]) for n in range(3)]
    whole = run("report", drive(lines=lines), "-p", whole_platform, "-o", "o.html", "--json", "-").json
    said = [
        run("report", *order, "-p", whole_platform, "-o", "o.html", "--json", "-").out
        for order in (parts, parts[::-1], [parts[1], parts[2], parts[0], parts[1]])
    ]
    assert said[0] == said[1]
    one, again = json.loads(said[0]), json.loads(said[2])
    assert again == one  # a log named twice is read once
    assert [source["name"] for source in one["recording"]["sources"]] == ["0.log", "1.log", "2.log"]
    assert one["vehicle"] == "0"
    for part in ("standstills", "starts", "rests"):
        assert one[part] == whole[part]
    assert one["recording"]["frames"] == whole["recording"]["frames"]


def test_a_log_of_the_sensors_line_alone_gives_a_smaller_honest_report(
    run: Run, drive: Make, lines: list[str], whole_platform: Path
) -> None:
    log = drive(lines=[line for line in lines if " lin0 " in line])
    said = run("report", log, "-p", whole_platform, "-o", "o.html", "--json", "-")
    assert said.code == 0
    told = said.json
    assert all(one["outcome"] != "refused" for one in told["standstills"])
    assert any("speed" in sentence for sentence in told["unknown"])
    assert told["battery"]["soc_start"] is not None
    assert [round(one["t"]) for one in told["starts"]] == [100]
    assert {row["role"] for row in told["signals"]} == {
        *("battery_voltage", "battery_current", "battery_temperature", "battery_soc")
    }


@pytest.mark.parametrize(("begin", "dated"), [(START_S, True), (0, False), (100, False)])
def test_the_traces_have_the_promised_columns(
    begin: int, dated: bool, run: Run, drive: Make, whole_platform: Path, tmp_path: Path
) -> None:
    log = drive(start_s=begin)
    said = run("report", log, "-p", whole_platform, "-o", "o.html", "--traces", "t.parquet", "--json", "-")
    table = pq.read_table(tmp_path / "t.parquet")
    assert table.column_names == ["time", "soc", "soc_low", "soc_high", "voltage", "current", "temperature"]
    start = said.json["recording"]["start"]
    if dated:
        assert table.schema.field("time").type == pa.timestamp("ms", tz="UTC")
        assert table["time"][0].as_py().isoformat() == "2025-03-03T11:06:40+00:00"
    else:
        assert table.schema.field("time").type == pa.float64()
        assert table["time"][0].as_py() == pytest.approx(0.0, abs=1.0)
        assert start is None
    soc = table.to_pandas()
    assert ((soc.soc_low <= soc.soc) & (soc.soc <= soc.soc_high)).all()
    assert soc.soc.between(0, 100).all()
    assert soc.current.min() < -40.0  # the crank, as the mean of its second
    assert set(soc.temperature) == {20.0}


@pytest.mark.parametrize("other_s", [10, 946_684_800, 1_700_000_000, 4_000_000_000])
def test_logs_years_apart_end_in_a_report_and_nothing_is_summed_between(
    other_s: int, run: Run, drive: Make, whole_platform: Path
) -> None:
    logs = [drive("now.log"), drive("then.log", start_s=other_s, coolant=121)]
    said = run("report", *logs, "-p", whole_platform, "-o", "o.html", "--json", "-")
    assert said.code == 0
    told = said.json
    assert sum(one["outcome"] == "refused" for one in told["standstills"]) == 6
    assert len(told["starts"]) == 2
    # By hand: each drive draws 400 A for 0.6 s and 0.05 A for 110 s; the years between draw nothing that was seen.
    assert told["battery"]["discharged_ah"] == pytest.approx(2 * (400 * 0.6 + 0.05 * 110) / 3600, abs=0.01)


def test_a_log_whose_lines_run_backwards_gives_what_it_gives_forwards(
    run: Run, drive: Make, lines: list[str], whole_platform: Path
) -> None:
    forwards = run("report", drive("a.log", lines), "-p", whole_platform, "-o", "o.html", "--json", "-").json
    backwards = run("report", drive("b.log", lines[::-1]), "-p", whole_platform, "-o", "o.html", "--json", "-").json
    assert backwards["standstills"] == forwards["standstills"]
    assert backwards["battery"]["charged_ah"] == pytest.approx(forwards["battery"]["charged_ah"], abs=0.01)


HOSTILE = {
    "<script>alert(1)</script>": "<script>alert(1)</script>",
    "../../etc/van": "../../etc/van",
    "a\nb\r\tc": "a b c",
    "van\u202etxt": "van[U+202E]txt",
    "\x1b[31mred": "[U+001B][31mred",
    "  ": "drive",
    "": "drive",
    "..": "..",
    "{{ 7 * 7 }}": "{{ 7 * 7 }}",
    "a\"onload='x'": "a\"onload='x'",
    "[bold]van[/bold]": "[bold]van[/bold]",
}


@pytest.mark.parametrize("name", HOSTILE, ids=ascii)
def test_a_vehicles_name_is_harmless_wherever_it_is_shown(
    name: str, run: Run, drive: Make, whole_platform: Path, tmp_path: Path
) -> None:
    said = run("report", drive(), "-p", whole_platform, "--vehicle", name, "--json", "o.json")
    assert said.code == 0
    told = json.loads((tmp_path / "o.json").read_text(encoding="utf-8"))
    assert told["vehicle"] == HOSTILE[name]
    assert said.out.count("\n") == 1
    assert not set("\x1b\u202e\r") & set(said.out)
    (page,) = tmp_path.rglob("*.html")
    assert page.parent == tmp_path
    html = page.read_text(encoding="utf-8")
    assert "<script>alert(1)" not in html
    assert "\u202e" not in html
    assert "onload='x'" not in html
