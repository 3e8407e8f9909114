"""The page of a fleet: which vehicles need attention and why, where the stops go, what gets worse, what it costs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from fleet.changes import changes_of
from fleet.costs import idle_cost
from fleet.fleet_data import FleetData
from fleet.ranking import Ranked, rank
from reports.figures.fleet_weeks import refusals_by_week
from reports.fleet_changes import visits_part
from reports.fleet_story import Small, Story, small_of, story_of
from reports.fleet_tables import comparisons, figures_table, ranking_table
from reports.fleet_weeks import GRANTED, Bin, Weeks, bins_of, weeks_of
from reports.language import Language
from reports.legend import legend_of
from reports.page import render
from reports.plain import plain
from reports.role_words import GROUP_WORDS
from reports.static_svg import static_svg
from reports.table import Table, numbers, texts
from reports.theme import STANDINGS, Mark

MOST = 500  # vehicles with a row of their own
_NAMED = 4  # vehicles named in the first sentence
_WORST = 24  # trends shown beside each other
_DAYS = 182  # longest stretch drawn


def fleet_page(
    data: FleetData,
    ranked: Sequence[Ranked] | None = None,
    *,
    links: Mapping[str, str] | None = None,
    language: str = "en",
    most: int = MOST,
) -> str:
    """One self-contained HTML page: opens offline, prints, works without script; the same input gives the same bytes.

    ranked: of the data, where it is known already. links: vehicle -> address of its own page, relative to this one.
    most: vehicles with a row of their own, those that need attention first; the others are counted with the rest.
    Raises UsageError for a language that is not there.
    """
    say = Language(language)
    ranked = rank(data) if ranked is None else ranked
    shown = ranked[:most]
    span = _span(data)
    stories = [
        story_of(one, data.vehicles.loc[one.vehicle], span, say, (links or {}).get(one.vehicle, "")) for one in shown
    ]
    bins, place = bins_of(data, [one.vehicle for one in shown])
    weeks = weeks_of(data, bins, place, say)
    worst = _worst(shown, span, say)
    day = data.days.day
    changes = [
        change
        for change in changes_of(data.history, sorted(one.vehicle for one in shown))
        if len(day) and day.min() < change.visit.day <= day.max()
    ]
    tables, reversals = comparisons(data, say)
    refusals = weeks.counts[:, GRANTED:].sum(axis=0)
    picture = refusals_by_week(weeks.days, weeks.names[GRANTED:], refusals, say) if weeks.days else None
    caption = say("All vehicles. A refusal for which several conditions failed counts for each of them.")
    title = say("Fleet: idle-stop and batteries")
    return render(
        "fleet.html.j2",
        say=say,
        title=title,
        foot=_dates(weeks, say),
        with_pictures=False,
        extra=("fleet",),
        heading=title,
        about=_about(data, weeks, say),
        happened=_happened(ranked, say),
        first_sentence=_first(ranked, stories, say),
        tallies=_tallies(ranked),
        cost=_cost(data, say),
        standings=STANDINGS,
        stories=stories,
        left_out=_left_out(ranked[most:], most, say),
        filters=_filters(weeks.bins, say),
        weeks=weeks,
        weeks_json=weeks.to_json(),
        week_cells=weeks.cells(),
        week_asked=[*weeks.asked.sum(axis=0).astype(int).tolist(), int(weeks.asked.sum())],
        week_answer=_week_answer(weeks, say),
        picture=static_svg(picture, caption) if picture else "",
        legend=legend_of(picture) if picture else [],
        picture_caption=caption,
        worst=worst,
        visits=visits_part(changes, say),
        ranking=ranking_table(shown, say),
        figures=figures_table(shown, say),
        comparisons=tables,
        reversals=reversals,
        lost=_lost(data, weeks, say),
        undated=int(data.vehicles["undated"].sum()),
        blind=int(data.vehicles["battery_only"].sum()),
        damage=data.damage,
    )


def _span(data: FleetData) -> tuple[float, float]:
    day = data.days.day
    if not len(day):
        return 0.0, 1.0
    return max(float(day.min()), float(day.max()) - _DAYS), float(day.max())


def _dates(weeks: Weeks, say: Language) -> str:
    if not weeks.days:
        return say("date not recorded")
    return say("weeks from {first} to {last}", first=weeks.days[0], last=weeks.days[-1])


def _about(data: FleetData, weeks: Weeks, say: Language) -> str:
    vehicles = say.many("{n} vehicle", "{n} vehicles", len(data.vehicles))
    recordings = say.many("{n} recording", "{n} recordings", int(data.vehicles["recordings"].sum()))
    return f"{vehicles} · {recordings} · {_dates(weeks, say)}"


def _happened(ranked: Sequence[Ranked], say: Language) -> str:
    total = len(ranked)
    urgent = [plain(one.vehicle) for one in ranked if one.standing == "attention"]
    few = sum(one.standing == "too_little_data" for one in ranked)
    if urgent:
        return say(
            "{n} of {total} vehicles need attention: {names}.",
            n=len(urgent),
            total=total,
            names=say.list(urgent, limit=_NAMED),
        )
    if few == total:
        return say("There is too little data yet to rank any of the {total} vehicles.", total=total)
    return say("None of the {judged} vehicles with enough data needs attention.", judged=total - few)


def _first(ranked: Sequence[Ranked], stories: Sequence[Story], say: Language) -> str:
    """The worst vehicle with its first reason; else what single recordings found."""
    if ranked and ranked[0].standing == "attention":
        story = stories[0]
        since = f" ({story.since})" if story.since else ""
        return say("First: {vehicle}, {why}{since}.", vehicle=story.vehicle, why=story.headline, since=since)
    found = [plain(one.vehicle) for one in ranked if one.codes]
    if found:
        return say("Single recordings ask for a check all the same: {names}.", names=say.list(found, limit=8))
    return say("Nothing was found in their recordings that asks for a check.")


def _tallies(ranked: Sequence[Ranked]) -> list[tuple[str, Mark, int]]:
    counts: Counter[str] = Counter(one.standing for one in ranked)
    return [(name, mark, counts[name]) for name, mark in STANDINGS.items() if counts[name] or name == "attention"]


def _cost(data: FleetData, say: Language) -> dict[str, str]:
    cost = idle_cost(data)
    sentence = say(
        "{refusals} refused standstills cost {time} of idling, about {fuel:.1f} l of fuel ({low:.1f} to {high:.1f} l).",
        refusals=cost.refusals,
        time=say.duration(cost.idle_s),
        fuel=cost.fuel_l.value,
        low=cost.fuel_l.low,
        high=cost.fuel_l.high,
    )
    return {"sentence": sentence, "source": say.text(cost.source)}


def _left_out(others: Sequence[Ranked], most: int, say: Language) -> str:
    """How many vehicles have no row, of which standing, and how to see them."""
    if not others:
        return ""
    counts = [f"{sum(one.standing == name for one in others)} {say(mark.word)}" for name, mark in STANDINGS.items()]
    return say(
        "The {most} most urgent vehicles have a row. The other {n} are counted in every sum and have none: {counts}. "
        "To see them, narrow the page with --platform, --battery-type or --depot, ask for more with --most, or write "
        "all as rows with --json or `idlewhy fleet trend`.",
        most=most,
        n=len(others),
        counts=", ".join(counts),
    )


def _filters(bins: Sequence[Bin], say: Language) -> list[dict[str, Any]]:
    """Choices by which the page can be narrowed; those without a choice are left out."""
    labels = {"platform": say("Platform"), "battery": say("Battery type"), "depot": say("Depot")}
    found = [
        {"name": name, "label": label, "values": sorted({one.attributes[name] for one in bins} - {""})}
        for name, label in labels.items()
    ]
    return [one for one in found if len(one["values"]) > 1]


def _week_answer(weeks: Weeks, say: Language) -> str:
    asked, refused = int(weeks.asked.sum()), int(weeks.refused.sum())
    if not refused:
        return say("No stop was refused at {asked} standstills.", asked=asked)
    if len(weeks.names) == GRANTED:
        return say("{refused} of {asked} standstills were refused.", refused=refused, asked=asked)
    return say(
        "{refused} of {asked} standstills were refused; most often failed: {name}.",
        refused=refused,
        asked=asked,
        name=weeks.names[GRANTED],
    )


def _worst(ranked: Sequence[Ranked], span: tuple[float, float], say: Language) -> list[tuple[str, Small]]:
    """What gets worse, fastest first, in units of what matters."""
    found = [
        (trend.sure / trend.month if trend.month else 0.0, one, trend)
        for one in ranked
        for trend in one.trends.values()
        if trend.verdict == "worsening" or trend.alarm
    ]
    found.sort(key=lambda item: (-item[0], item[1].vehicle))
    return [(plain(one.vehicle), small_of(trend, one, span, say)) for _, one, trend in found[:_WORST]]


def _lost(data: FleetData, weeks: Weeks, say: Language) -> Table:
    """Idling and refusals by condition, the most frequent first."""
    sums = data.refusals.groupby(["condition", "group"])[["refusals", "alone", "lost_idle_s"]].sum()
    sums = sums.sort_values("refusals", ascending=False, kind="stable").reset_index()
    columns = [
        texts(say("Condition"), [say.name(name) if name else say("cause not visible") for name in sums["condition"]]),
        texts(say("Group"), [say.text(GROUP_WORDS[one]) if one in GROUP_WORDS else one for one in sums["group"]]),
        numbers(say, say("Refusals"), sums["refusals"]),
        numbers(say, say("alone at fault"), sums["alone"]),
        numbers(say, say("Idling"), sums["lost_idle_s"] / 3600, 1, "h"),
    ]
    return Table("conditions", say("Refusals by condition, {dates}", dates=_dates(weeks, say)), columns)


def fleet_line(ranked: Sequence[Ranked]) -> str:
    """The answer for a terminal, in English."""
    return _happened(ranked, Language("en"))
