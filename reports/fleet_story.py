"""The story of one vehicle in the fleet: why it is where it is, how its figures go, what its recordings found."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from fleet.intervals import UNKNOWN, Interval
from fleet.ranking import Ranked, Reason
from fleet.trends import Trend
from reports.figures.fleet_small import small_trend
from reports.findings import wording
from reports.fleet_words import VERDICTS, day_words
from reports.language import Language
from reports.plain import plain
from reports.theme import STANDINGS

_DRAWN = ("resistance", "rest_soc", "quiescent", "stop_rate")


@dataclass(frozen=True, slots=True, eq=False)
class Small:
    """A small drawing: its title, the line under it, the drawing."""

    title: str
    words: str
    drawn: Markup


@dataclass(frozen=True, slots=True, eq=False)
class Story:
    """A vehicle as the page shows it. link: to its own page, or empty. attributes: what filters look at."""

    vehicle: str
    standing: str
    sign: str
    headline: str
    since: str
    days: str
    reasons: tuple[str, ...]
    smalls: tuple[Small, ...]
    found: tuple[str, ...]
    lacking: tuple[str, ...]
    about: str
    link: str
    attributes: dict[str, str]


def story_of(one: Ranked, row: Any, span: tuple[float, float], say: Language, link: str) -> Story:
    """row: of `FleetData.vehicles`. span: first and last day drawn [days since 1970]."""
    reasons = tuple(reason_words(reason, say) for reason in one.reasons)
    drawn = [one.trends[name] for name in _DRAWN if name in one.trends and len(one.trends[name].day) > 1]
    return Story(
        vehicle=plain(one.vehicle),
        standing=one.standing,
        sign=STANDINGS[one.standing].sign,
        headline=reasons[0] if reasons else _quiet(one, say),
        since=_since(one, say),
        days=days_words(one.days, say),
        reasons=reasons,
        smalls=tuple(small_of(trend, one, span, say) for trend in drawn),
        found=tuple(_counted(say.text(wording(code).title), n, total, say) for code, (n, total) in one.codes.items()),
        lacking=tuple(_missing(trend, say) for trend in one.trends.values() if not math.isfinite(trend.level.value)),
        about=_about(row, say),
        link=link,
        attributes={
            "platform": plain(str(row["platform"])),
            "battery": plain(str(row["battery_type"])),
            "depot": plain(str(row["depot"])),
        },
    )


def small_of(trend: Trend, one: Ranked, span: tuple[float, float], say: Language) -> Small:
    """The drawing of one figure with its words."""
    words = trend_words(trend, say)
    title = say("{title} [{unit}]", title=say.text(trend.metric.title), unit=trend.metric.unit)
    drawing = small_trend(trend, one.scales.get(trend.metric.name), span, f"{plain(one.vehicle)}, {title}: {words}")
    return Small(title, words, drawing)


def trend_words(trend: Trend, say: Language) -> str:
    """Level, slope and verdict in one line; what is missing where there is too little data."""
    metric = trend.metric
    if not math.isfinite(trend.level.value):
        return " ".join(say.text(line) for line in trend.lacking[:1])
    level = f"{say.number(trend.level.value, metric.digits)} {metric.unit}"
    verdict = say.text(VERDICTS[trend.verdict])
    if not math.isfinite(shown_slope(trend).value):
        return say("{level}; {verdict}", level=level, verdict=verdict)
    slope, digits = trend.told_slope
    value, low, high = (say.number(part, digits, sign=True) for part in (slope.value, slope.low, slope.high))
    return say(
        "{level}; {value} {unit} a month ({low} to {high}), {verdict}",
        level=level,
        value=value,
        low=low,
        high=high,
        unit=say.text(metric.slope_unit),
        verdict=verdict,
    )


def shown_slope(trend: Trend) -> Interval:
    """The slope; unknown where it tells nothing and its band is wider than the whole scale of a percentage a month."""
    slope, metric = trend.slope, trend.metric
    in_points = metric.unit == "%" and not metric.relative
    beyond = in_points and max(abs(slope.low), abs(slope.high)) > 100.0
    return UNKNOWN if beyond and trend.verdict == "open" else slope


def reason_words(reason: Reason, say: Language) -> str:
    """A reason in one line; a finding by its title."""
    if not reason.finding:
        return say.text(reason.what)
    values = reason.what.values
    title = say.text(wording(reason.finding).title)
    return _counted(title, int(str(values["n"])), int(str(values["total"])), say)


def _counted(title: str, n: int, total: int, say: Language) -> str:
    """A finding and in how many of a vehicle's recordings it was made."""
    return say(
        "{title}: in its one recording" if total == 1 else "{title}: in {n} of {total} recordings",
        title=title,
        n=n,
        total=total,
    )


def days_words(days: Interval | None, say: Language) -> str:
    """Days to the nearest limit with their interval; empty where nothing is heading for one."""
    if days is None:
        return ""
    if days.value <= 0:
        return say("past its limit")
    if not math.isfinite(days.high):
        return say("limit in {days:.0f} days ({low:.0f} or more)", days=days.value, low=days.low)
    return say("limit in {days:.0f} days ({low:.0f} to {high:.0f})", days=days.value, low=days.low, high=days.high)


def _missing(trend: Trend, say: Language) -> str:
    """What a figure lacks, and what to record so that it can be told."""
    return say(
        "{title}: {missing} To record: {what}.",
        title=say.text(trend.metric.title),
        missing=" ".join(say.text(line) for line in trend.lacking),
        what=say.text(trend.metric.record),
    )


def _since(one: Ranked, say: Language) -> str:
    return say("since {day}", day=day_words(one.since)) if math.isfinite(one.since) else ""


def _quiet(one: Ranked, say: Language) -> str:
    if one.standing == "too_little_data":
        if one.codes:
            titles = [say.quoted(say.text(wording(code).title)) for code in one.codes]
            return say("Found, but not often enough to rank it: {titles}.", titles=say.list(titles, limit=3))
        return say.text(one.lacking[0]) if one.lacking else say("No dated recording.")
    worst = max(one.trends.values(), key=lambda trend: trend.sure, default=None)
    if worst is not None and worst.verdict == "worsening":
        return trend_words(worst, say)
    return say("No figure is beyond its limit.")


def _about(row: Any, say: Language) -> str:
    parts = [plain(str(row["platform"])), plain(str(row["battery_type"])).upper()]
    if row["battery"]:
        parts.append(plain(str(row["battery"])))
    if row["depot"]:
        parts.append(say("depot {name}", name=plain(str(row["depot"]))))
    parts.append(say.many("{n} recording", "{n} recordings", int(row["recordings"])))
    return " · ".join(parts)
