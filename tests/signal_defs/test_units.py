"""Units as databases write them."""

from __future__ import annotations

import pytest

from signal_defs.roles import ROLES
from signal_defs.units import conversion, is_known_unit


@pytest.mark.parametrize(
    ("written", "unit", "value", "expected"),
    [
        ("mV", "V", 12600.0, 12.6),
        ("°C", "degC", 25.0, 25.0),
        ("K", "degC", 298.15, 25.0),
        ("degF", "degC", 212.0, 100.0),  # boiling water
        ("1/min", "rpm", 800.0, 800.0),
        ("m/s", "km/h", 10.0, 36.0),
        ("mph", "km/h", 100.0, 160.9344),  # international mile
        ("bar", "kPa", 1.0, 100.0),
        ("MPa", "kPa", 2.0, 2000.0),
        ("mPa", "kPa", 1.0, None),
        ("rad", "deg", 3.141592653589793, 180.0),
        ("ms", "s", 1500.0, 1.5),
        ("rpm", "V", 1.0, None),
    ],
)
def test_a_unit_becomes_the_role_s_or_is_not_akin(
    written: str, unit: str, value: float, expected: float | None
) -> None:
    known = conversion(written, unit)
    if expected is None:
        assert known is None
    else:
        assert known is not None
        assert value * known.scale + known.offset == pytest.approx(expected, rel=1e-9)


def test_every_unit_of_a_role_is_known() -> None:
    for role in ROLES.values():
        if role.kind == "number":
            assert is_known_unit(role.unit)
            known = conversion(role.unit, role.unit)
            assert known is not None
            assert known.is_none
