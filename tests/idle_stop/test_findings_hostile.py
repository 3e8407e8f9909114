"""Mutilated recordings: whatever is missing, invalid or nonsense, findings are drawn without an error or a warning."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from decoder.recording import Recording, Trace
from idlewhy.demo.simulate import Park

pytestmark = pytest.mark.fault


def _mutilated(make: Any, recording: Recording, rng: np.random.Generator) -> Recording:
    traces: list[Trace] = []
    for trace in recording.traces.values():
        fate = rng.integers(8)
        if fate == 0:
            continue
        if fate == 1:
            trace = make.cut(trace, rng.random(len(trace)) < rng.random())  # noqa: PLW2901 - the next of its fates
        if fate == 2:
            trace = make.cut(trace, np.arange(len(trace)) < rng.integers(1, 4))  # noqa: PLW2901
        if fate == 3:
            nothing = np.full(len(trace), np.nan)
            trace = replace(trace, value=nothing, valid=np.zeros(len(trace), np.bool_))  # noqa: PLW2901
        if fate == 4:
            trace = replace(trace, value=trace.value * 0.0 + rng.uniform(-1e4, 1e4))  # noqa: PLW2901
        traces.append(trace)
    return make.recording_of(traces or list(recording.traces.values()))  # type: ignore[no-any-return]


@pytest.mark.parametrize("seed", range(50))
def test_a_mutilated_recording_gives_findings_and_no_error(make: Any, seed: int) -> None:
    scenario = make.Scenario(plan=(Park(0.7, 12.0), make.Scenario().trip(3), Park(0.6, 12.0)))
    found = make.judged(_mutilated(make, make.recorded(scenario), np.random.default_rng(seed)))
    for one in found.findings.values():
        words = " ".join(str(line) for line in (*one.evidence, *one.against))
        assert "nan" not in words
        assert "inf" not in words.replace("information", "")
        assert one.weight != "act" or not one.possible
