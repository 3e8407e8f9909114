"""What `idlewhy fleet` writes beside its page: vehicles' own pages, links to them, the ranking and trends as rows."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from idlewhy.cli.report import file_name

if TYPE_CHECKING:
    from fleet.changes import Change
    from fleet.fleet_data import FleetData
    from fleet.intervals import Interval
    from fleet.ranking import Ranked
    from fleet.trends import Trend
    from idle_stop.analysis import Analysis

TREND_COLUMNS = (
    *("vehicle", "unit", "level", "low", "high", "month", "month_low", "month_high", "p", "verdict", "alarm"),
    *("observations", "days", "episode_from", "missing"),
)


@dataclass(frozen=True, slots=True)
class PageWriter:
    """Writes the page of each analysis into a folder as VEHICLE.html; the vehicle's latest recording stays."""

    folder: str

    def __call__(self, analysis: Analysis) -> None:
        from idlewhy.cli.output import write_text
        from reports.vehicle import vehicle_page

        write_text(Path(self.folder) / f"{file_name(analysis.vehicle)}.html", vehicle_page(analysis))


def links_to(vehicles: Iterable[str], pages: Path, page: Path) -> dict[str, str]:
    """Vehicle -> relative address of its page, for those whose page is in the folder."""
    found = {}
    for vehicle in vehicles:
        file = pages / f"{file_name(str(vehicle))}.html"
        if file.exists():
            found[str(vehicle)] = quote(Path(os.path.relpath(file, page.parent)).as_posix())
    return found


def ranking_json(data: FleetData, ranked: Sequence[Ranked]) -> dict[str, Any]:
    """The ranking of all vehicles, and what their visits changed, as plain values."""
    from fleet.changes import changes_of

    return {
        "schema": "idlewhy.fleet/1",
        "vehicles": [
            {
                "vehicle": one.vehicle,
                "standing": one.standing,
                "badness_at_least": _known(one.badness, 3),
                "reasons": [str(reason.what) for reason in one.reasons],
                "days_to_limit": _interval(one.days) if one.days else None,
                "findings": {code: n for code, (n, _) in one.codes.items()},
                "missing": [str(line) for line in one.lacking],
            }
            for one in ranked
        ],
        "visits": [_change(one) for one in changes_of(data.history)],
    }


def _change(change: Change) -> dict[str, Any]:
    from reports.fleet_words import day_words

    told = change.verdict != "too_little_data"
    digits = change.metric.digits + 1
    return {
        "vehicle": change.visit.vehicle,
        "day": day_words(change.visit.day),
        "kinds": list(change.visit.kinds),
        "metric": change.metric.name,
        "unit": change.metric.unit,
        "before": _known(change.before, digits),
        "after": _known(change.after, digits),
        "difference": _interval(change.difference, digits) if told else None,
        "verdict": change.verdict,
        "missing": [str(line) for line in change.lacking],
    }


def trend_row(trend: Trend) -> dict[str, Any]:
    """One vehicle's trend as plain values; None where it is unknown."""
    from reports.fleet_words import day_words

    digits = trend.metric.digits + 1
    figures = (trend.level.value, trend.level.low, trend.level.high)
    slopes = (trend.slope.value, trend.slope.low, trend.slope.high)
    return {
        "vehicle": trend.vehicle,
        "unit": trend.metric.unit,
        **dict(zip(("level", "low", "high"), (_known(value, digits) for value in figures), strict=True)),
        **dict(zip(("month", "month_low", "month_high"), (_known(value, digits + 1) for value in slopes), strict=True)),
        "p": _known(trend.p, 5),
        "verdict": trend.verdict,
        "alarm": trend.alarm,
        "observations": trend.observations,
        "days": trend.days,
        "episode_from": day_words(trend.begin) if math.isfinite(trend.begin) else None,
        "missing": " ".join(str(line) for line in trend.lacking),
    }


def trend_words(row: dict[str, Any]) -> tuple[str, str, str, str, str]:
    """A row for the terminal: vehicle, level, change a month, verdict, what is missing first."""
    change = "points" if row["unit"] == "%" else row["unit"]
    return (
        row["vehicle"],
        _between(row["level"], row["low"], row["high"], row["unit"], ""),
        _between(row["month"], row["month_low"], row["month_high"], change, "+"),
        row["verdict"].replace("_", " "),
        row["missing"].partition(". ")[0].rstrip("."),
    )


def _between(value: float | None, low: float | None, high: float | None, unit: str, sign: str) -> str:
    return "" if value is None else f"{value:{sign}g} {unit} ({low:{sign}g} to {high:{sign}g})"


def _interval(interval: Interval, digits: int = 1) -> dict[str, float | None]:
    return {name: _known(getattr(interval, name), digits) for name in ("value", "low", "high")}


def _known(value: float, digits: int) -> float | None:
    return round(value, digits) + 0.0 if math.isfinite(value) else None
