"""analysis.json against the schema that the package ships."""

from __future__ import annotations

import copy
import dataclasses
import json
import math
from importlib.resources import files
from typing import Any

import jsonschema
import pytest

from estimator.estimate import AcceptanceAt, Fade, Figure
from idle_stop.analysis import Analysis
from reports.analysis_json import analysis_to_json
from signal_defs.text import Text


@pytest.fixture(scope="module")
def schema() -> Any:
    return json.loads(files("reports").joinpath("schema/analysis-1.schema.json").read_text("utf-8"))


@pytest.mark.parametrize("which", ["van", "bare"])
def test_every_analysis_fits_the_shipped_schema(which: str, schema: Any, request: pytest.FixtureRequest) -> None:
    written = analysis_to_json(request.getfixturevalue(which))
    jsonschema.Draft202012Validator(schema).validate(json.loads(json.dumps(written, allow_nan=False)))


def test_the_schema_refuses_a_key_nobody_described(schema: Any, van: Analysis) -> None:
    Validator = jsonschema.Draft202012Validator
    Validator.check_schema(schema)
    written = copy.deepcopy(analysis_to_json(van))
    written["battery"]["colour"] = "red"
    assert not Validator(schema).is_valid(written)


def test_times_count_from_the_first_frame_and_instants_are_utc(van: Analysis) -> None:
    written = analysis_to_json(van)
    assert written["recording"]["start"] == "2025-03-03T11:06:40.000Z"  # by hand: 1 741 000 000 s after 1970, UTC
    assert written["standstills"][0]["t_start"] == 240.0
    assert written["starts"][0]["t"] == 299.2
    assert written["standstills"][1]["reasons"][0]["failing_since_t"] == 200.0


def test_a_recording_without_a_date_writes_no_instant(bare: Analysis) -> None:
    assert analysis_to_json(bare)["recording"]["start"] is None


def test_a_null_figure_has_its_sentence(van: Analysis, bare: Analysis) -> None:
    for analysis in (van, bare):
        written = analysis_to_json(analysis)
        said = written["unknown"]
        nulls = [name for name, value in written["battery"].items() if value is None]
        assert "next_crank_min_v" in nulls
        assert any("lowest voltage of the next crank" in sentence for sentence in said)
        assert len(said) == len(set(said))


def test_a_possible_finding_says_so_and_urgent_ones_come_first(van: Analysis) -> None:
    first, second = analysis_to_json(van)["findings"]
    assert first["title"].startswith("Possible: ")
    assert first["evidence"][0] == "Rest voltage 12.41 V."  # by hand: 12.412 to 0.01 V
    assert (first["weight"], second["weight"]) == ("act", "note")


def test_a_start_says_whether_its_dip_was_seen_and_how_its_resistance_was_measured(van: Analysis) -> None:
    starts = (dataclasses.replace(van.estimate.starts[0], resolved=False, method="whole crank"),)
    written = analysis_to_json(dataclasses.replace(van, estimate=dataclasses.replace(van.estimate, starts=starts)))
    (start,) = written["starts"]
    assert (start["resolved"], start["resistance_method"]) == (False, "whole crank")


def test_hidden_fade_and_what_charge_acceptance_was_seen_at_are_written(van: Analysis, schema: Any) -> None:
    estimate = dataclasses.replace(
        van.estimate,
        charge_acceptance_at=AcceptanceAt(14.38, 81.3, math.nan, 3),
        fade=Fade(
            "likely",
            Figure(60.0, 55.0, 65.0),
            21.5,
            (Text("Its resistance is {r:.1f} times.", {"r": 1.7}),),
            Figure(72.0, 31.0, 100.0),
        ),
    )
    written = analysis_to_json(dataclasses.replace(van, estimate=estimate))
    jsonschema.Draft202012Validator(schema).validate(json.loads(json.dumps(written, allow_nan=False)))
    assert written["battery"]["charge_acceptance_at"] == {
        "voltage_v": 14.38,
        "soc": 81.3,
        "temperature_c": None,
        "drives": 3,
    }
    assert written["battery"]["fade"] == {
        "state": "likely",
        "acid_capacity_ah": {"value": 60.0, "low": 55.0, "high": 65.0},
        "proved_ah": 21.5,
        "charge_end": {"value": 72.0, "low": 31.0, "high": 100.0},
        "evidence": ["Its resistance is 1.7 times."],
    }
