"""What one recording tells of its days."""

from __future__ import annotations

import pytest

from fleet.daily import daily_rows

DAY_US = 86_400_000_000


def test_a_rest_over_a_weekend_counts_for_every_day_it_lies_in() -> None:
    rest = {
        "time": 20_000 * DAY_US + 18 * 3_600_000_000,
        "seconds": 60 * 3600.0,
        "mean_ma": -20.0,
        "asleep_ma": -20.0,
        "soc": 80.0,
        "settled": "settled",
        "temperature_c": 10.0,
    }
    tables = ("standstills", "starts", "drives", "reasons")
    rows = daily_rows({"rests": [rest], **{name: [] for name in tables}})
    # by hand: 6 h of the first day, 24 h of two, 6 h of the last, at 20 mA
    assert [row["parked_s"] / 3600 for row in rows] == [6, 24, 24, 6]
    assert [row["parked_ah"] for row in rows] == pytest.approx([0.12, 0.48, 0.48, 0.12])
    assert [row["nights"] for row in rows] == [0, 0, 0, 1]
