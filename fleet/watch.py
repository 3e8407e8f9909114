"""The watch list: rules that are looked at after each add, and what would clear each alert."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from fleet.fleet_data import FleetData
from fleet.intervals import Interval
from fleet.metrics import METRICS, POINTS, RECENT_DAYS
from fleet.trends import Trend, trends_of
from signal_defs.errors import DefinitionError, DefinitionFaultsError, UsageError
from signal_defs.text import Text

_KEYS = ("name", "metric", "of", "above", "below", "between_c", "observations", "platform", "battery_type", "depot")
_FILTERS = ("platform", "battery_type", "depot")


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. of: "level" over the last 28 days, or "slope" a month, in the metric's unit (resistance: mOhm).

    above or below: the bound; it counts only where the whole 95 % interval is beyond it. between_c: class of
    temperature [degC] that days are taken from, None for all. observations: least behind the figure; 0 for the metric's
    own.
    filters: column of `FleetData.vehicles` -> the value it must have.
    """

    name: str
    metric: str
    of: Literal["level", "slope"]
    bound: float
    above: bool
    between_c: tuple[float, float] | None
    observations: int
    filters: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Alert:
    """A rule that a vehicle is beyond. clears: what would end the alert."""

    rule: str
    vehicle: str
    metric: str
    figure: Interval
    observations: int
    clears: Text


@dataclass(frozen=True, slots=True)
class Watched:
    """What a look at the watch list gave. unjudged: (rule, vehicle, what is missing) where there is too little data."""

    alerts: tuple[Alert, ...]
    unjudged: tuple[tuple[str, str, Text], ...]


def read_rules(path: str | Path) -> tuple[Rule, ...]:
    """Read the [[rule]] tables of a TOML file. Raises DefinitionFaultsError with every fault and the rule it is in."""
    file = Path(path)
    try:
        content = tomllib.loads(file.read_text("utf-8"))
    except OSError as fault:
        raise UsageError(f"The rules cannot be read ({fault.strerror}).", where=str(file)) from fault
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as fault:
        raise DefinitionError(f"This is no TOML: {fault}.", where=str(file)) from fault
    tables = content.get("rule", [])
    faults: list[DefinitionError] = []
    rules = []
    if not isinstance(tables, list) or not tables:
        faults.append(DefinitionError("There is no [[rule]].", where=str(file), mend="Write at least one."))
        tables = []
    for number, table in enumerate(tables, start=1):
        where = f"{file}, rule {number}"
        wrong = _wrong(table, where)
        faults += wrong
        if not wrong:
            rules.append(_rule(table, number))
    if faults:
        raise DefinitionFaultsError(faults)
    return tuple(rules)


def _wrong(table: dict[str, Any], where: str) -> list[DefinitionError]:
    said = [
        ("There is no key {!r}.".format(key), f"Keys: {', '.join(_KEYS)}.")  # noqa: UP032 - braces read better so
        for key in table
        if key not in _KEYS
    ]
    if table.get("metric") not in METRICS:
        said.append((f"There is no metric {table.get('metric')!r}.", f"Metrics: {', '.join(METRICS)}."))
    if table.get("of", "level") not in {"level", "slope"}:
        said.append(("`of` is neither level nor slope.", 'Write of = "level" or of = "slope".'))
    bounds = [table[key] for key in ("above", "below") if key in table]
    if len(bounds) != 1 or not _is_number(bounds[0]):
        said.append(("A rule needs one bound.", "Write either above = NUMBER or below = NUMBER."))
    between = table.get("between_c", [0, 1])
    if not (
        isinstance(between, list) and len(between) == 2 and all(map(_is_number, between)) and between[0] < between[1]
    ):
        said.append(("between_c is no class of temperature.", "Write between_c = [LOW, HIGH] in degC."))
    if not isinstance(table.get("observations", 0), int) or table.get("observations", 0) < 0:
        said.append(("observations is no count.", "Write a whole number."))
    return [DefinitionError(what, where=where, mend=mend) for what, mend in said]


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _rule(table: dict[str, Any], number: int) -> Rule:
    between = table.get("between_c")
    return Rule(
        name=str(table.get("name", f"rule {number}")),
        metric=table["metric"],
        of=table.get("of", "level"),
        bound=float(table["above"] if "above" in table else table["below"]),
        above="above" in table,
        between_c=(float(between[0]), float(between[1])) if between else None,
        observations=table.get("observations", 0),
        filters=tuple((key, str(table[key])) for key in _FILTERS if key in table),
    )


def watch(data: FleetData, rules: Sequence[Rule]) -> Watched:
    """Look at every rule for every vehicle that it is for."""
    alerts: list[Alert] = []
    unjudged: list[tuple[str, str, Text]] = []
    for rule in rules:
        concerned = data.vehicles
        for column, wanted in rule.filters:
            concerned = concerned[concerned[column].astype(str) == wanted]
        names = [str(name) for name in concerned.index]
        for trend in trends_of(data.history, rule.metric, between_c=rule.between_c, names=names):
            figure = trend.level if rule.of == "level" else trend.slope
            missing = _missing(rule, trend, figure)
            if missing is not None:
                unjudged.append((rule.name, trend.vehicle, missing))
                continue
            if figure.low > rule.bound if rule.above else figure.high < rule.bound:
                clears = _clears(rule, trend)
                alerts.append(Alert(rule.name, trend.vehicle, rule.metric, figure, trend.observations, clears))
    return Watched(tuple(alerts), tuple(unjudged))


def _missing(rule: Rule, trend: Trend, figure: Interval) -> Text | None:
    if rule.observations > trend.observations:
        values = {"n": trend.observations, "needed": rule.observations, "what": trend.metric.what}
        return Text("Too little data: {n} of {needed} {what}.", values)
    if not math.isfinite(figure.value):
        return trend.lacking[0] if trend.lacking else Text("Too little data.")
    return None


def _clears(rule: Rule, trend: Trend) -> Text:
    values = {
        "title": trend.metric.title,
        "side": Text("below") if rule.above else Text("above"),
        "bound": rule.bound,
        "unit": trend.metric.unit,
        "days": RECENT_DAYS,
        "points": POINTS,
    }
    if rule.of == "level":
        return Text(
            "Clears when the 95 % interval of the {title} over {days} days reaches {side} {bound:g} {unit}, or a "
            "battery change or sensor reset is recorded.",
            values,
        )
    return Text(
        "Clears when the 95 % interval of the {title}'s slope reaches {side} {bound:g} {unit} a month, or a battery "
        "change or sensor reset is recorded and {points} days follow it.",
        values,
    )
