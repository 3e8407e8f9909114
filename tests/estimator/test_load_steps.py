"""Resistance from steps of the load."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from estimator.load_steps import load_step_resistance


def columns(count: int) -> dict[str, Any]:
    current = np.where(np.arange(count) % 40 < 20, -10.0, -45.0)
    return {"battery_current": current, "battery_voltage": 12.6 + 0.005 * current}


def test_steps_of_the_load_give_the_ohmic_resistance(planted: Any) -> None:
    figure = load_step_resistance(planted.recording(np.arange(1000) * 0.1, columns(1000)))
    assert figure.value == pytest.approx(5.0, rel=0.01)  # planted
    assert figure.low < 5.0 < figure.high


def test_too_few_steps_or_slow_samples_are_not_enough(planted: Any) -> None:
    assert not load_step_resistance(planted.recording(np.arange(100) * 0.1, columns(100))).is_known
    assert not load_step_resistance(planted.recording(np.arange(1000) * 1.0, columns(1000))).is_known
