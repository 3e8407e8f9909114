"""The figures followed over weeks: where each comes from, how much data it needs, from what size it matters.

Minimum data and sizes are common practice without a source unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from signal_defs.text import Text

MONTH_DAYS = 30.44  # a twelfth of 365.25
RECENT_DAYS = 28  # the level of a figure is that of the last weeks
_SOON_DAYS = 60.0


@dataclass(frozen=True, slots=True)
class Metric:
    """One figure of a vehicle, a value a day.

    column: of `fleet.days`. weight: column with the number of observations behind a day's value. temperature: column
    that tells the class of 10 K within which days are compared; "" where temperature does not matter. counted: of a
    share, the column of what is counted, out of `weight`; its level is that of the sums. out_of: of a share of time
    the column that counted is a part of. weekly: a value a week instead.
    worse: direction that is bad. observations, days: least for a level. what: what is counted, for "6 of 20
    standstills".
    month: change in a month from which it matters, in the unit, or as a share of the level where `relative`.
    remembers: a day resembles the day before, as charge does.
    misled: share of weekly looks at a vehicle without a fault that may say it gets worse.
    soon: days to the limit below which a slope asks for attention; None where it does by itself.
    good, limit: values at which badness is 0 and 1; None where the vehicle's own data gives them (see `fleet.badness`).
    record: what to record so that there is enough. ranked: vehicles are ranked by it, among others.
    """

    name: str
    title: Text
    unit: str
    digits: int
    column: str
    weight: str
    temperature: str
    worse: Literal["up", "down"]
    observations: int
    days: int
    what: Text
    record: Text
    month: float
    counted: str = ""
    out_of: str = ""
    weekly: bool = False
    relative: bool = False
    remembers: bool = False
    misled: float = 1e-5
    soon: float | None = _SOON_DAYS
    good: float | None = None
    limit: float | None = None
    ranked: bool = True

    def matters(self, level: float) -> float:
        """Change in a month from which it matters at that level, in the unit."""
        return self.month * (abs(level) if self.relative else 1.0)

    @property
    def slope_unit(self) -> Text:
        """The unit of a change as people say it: of a percentage, points; of what is told relatively, percent."""
        if self.unit == "%" and not self.relative:
            return Text("points")
        unit = "%" if self.relative else self.unit
        return Text(unit)


POINTS = 8  # least for a slope
SPAN_DAYS = 14  # least from its first to its last point

_STOP_RATE = Metric(
    name="stop_rate",
    title=Text("share of standstills with the engine stopped"),
    unit="%",
    digits=0,
    column="stop_rate",
    weight="suited",
    counted="stops",
    temperature="temperature_c",
    worse="down",
    observations=20,
    days=3,
    what=Text("standstills, those too cold or too hot apart"),
    month=15.0,
    record=Text("drives with standstills"),
)

METRICS: dict[str, Metric] = {
    metric.name: metric
    for metric in (
        Metric(
            name="resistance",
            title=Text("resistance at 25 °C"),
            unit="mΩ",
            digits=1,
            column="resistance_mohm",
            weight="cranks",
            temperature="crank_c",
            worse="up",
            observations=8,
            days=5,
            what=Text("cranks above 70 % charge"),
            month=0.10,
            relative=True,
            soon=None,
            misled=2e-3,  # few looks can mislead: after four weeks the slope is known to much better than what matters
            record=Text("starts with current and voltage at 20 samples a second or more"),
        ),
        Metric(
            name="rest_soc",
            title=Text("charge at rest"),
            unit="%",
            digits=0,
            column="rest_soc",
            weight="rests",
            temperature="rest_c",
            worse="down",
            observations=4,
            days=3,
            what=Text("settled rests"),
            month=3.0,
            remembers=True,
            record=Text("nights of six hours and more, parked"),
        ),
        Metric(
            name="quiescent",
            title=Text("draw while parked"),
            unit="mA",
            digits=0,
            column="asleep_ma",
            weight="nights",
            temperature="",
            worse="up",
            observations=3,
            days=3,
            what=Text("nights of four hours or more"),
            month=20.0,
            good=30.0,
            limit=75.0,  # 20 to 75 mA acceptable after a published key-off article, 100 mA and more excessive
            remembers=True,
            record=Text("nights of four hours and more with the logger's own draw known"),
        ),
        Metric(
            name="crank_voltage",
            title=Text("lowest voltage at starts"),
            unit="V",
            digits=2,
            column="crank_min_v",
            weight="cranks_seen",
            temperature="crank_c",
            worse="down",
            observations=5,
            days=3,
            what=Text("starts in one class of temperature"),
            month=0.3,
            remembers=True,
            record=Text("starts with voltage at 20 samples a second or more"),
        ),
        _STOP_RATE,
        replace(
            _STOP_RATE,
            name="battery_share",
            title=Text("share of standstills refused for the battery alone"),
            column="battery_share",
            counted="battery",
            worse="up",
            good=5.0,
            limit=30.0,
        ),
        replace(
            _STOP_RATE,
            name="refused_share",
            title=Text("share of standstills refused"),
            column="refused_share",
            counted="refusals",
            worse="up",
            good=15.0,
            limit=60.0,
        ),
        replace(
            _STOP_RATE,
            name="auto_stop_share",
            title=Text("share of the time at standstills with the engine stopped"),
            column="auto_stop_share",
            weight="standstill_min",
            counted="stop_s",
            out_of="standstill_s",
            observations=30,
            what=Text("minutes at standstills"),
            ranked=False,
        ),
        Metric(
            name="balance",
            title=Text("charge gained a week"),
            unit="Ah",
            digits=1,
            column="balance_ah",
            weight="one",
            temperature="",
            worse="down",
            observations=2,
            days=2,
            what=Text("weeks with the current known nine tenths of the time"),
            month=5.0,
            weekly=True,
            record=Text("whole weeks, driving and parked"),
            ranked=False,
        ),
    )
}
RANKED = tuple(name for name, metric in METRICS.items() if metric.ranked)

# Lowest voltage of a load test by temperature [degC, V]. Source: four published workshop load-test tables that agree.
CRANK_LIMITS = ((-18.0, 8.5), (-12.0, 8.7), (-7.0, 8.9), (-1.0, 9.1), (4.0, 9.3), (10.0, 9.4), (16.0, 9.5), (20.0, 9.6))
CRANK_MARGIN = 1.0  # volts above the limit at which nothing is wrong

# R [ohm] of a new battery at 25 degC is about 2.7 / cold-cranking current: from memory, a rule of thumb; past 1.5 times
# it is worn: common practice, no source.
RESISTANCE_VOLTS = 2.7
RESISTANCE_WORN = 1.5
SOC_LIMIT = 75.0  # charge at which published lists refuse a stop, where the platform does not say
SOC_MARGIN = 15.0  # points above it at which nothing is wrong
