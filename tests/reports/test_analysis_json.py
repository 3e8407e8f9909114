"""analysis.json against the schema that the package ships."""

from __future__ import annotations

import copy
import json
from importlib.resources import files
from typing import Any

import jsonschema
import pytest

from idle_stop.analysis import Analysis
from reports.analysis_json import analysis_to_json


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
