"""Part 10: where the page comes from, enough to make it again byte for byte."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

from reports.part import Part
from reports.rule_cells import rule_cells, rule_columns
from reports.table import Cell, Column, Table, number, table, word
from reports.view import View

# What can change a figure of the page.
_PACKAGES = ("idlewhy", "numpy", "scipy", "python-can", "cantools", "ldfparser", "tsdownsample", "jinja2", "babel")


def origin_part(view: View) -> Part:
    """Files, definitions, settings and versions."""
    say, platform = view.say, view.analysis.platform
    tables = (_files(view), _definitions(view), _rules(view), _settings(view), _versions(view))
    answer = say.many(
        "Made from {n} log file with the definitions of “{title}”; the same files, definitions and versions give this "
        "page again, byte for byte.",
        "Made from {n} log files with the definitions of “{title}”; the same files, definitions and versions give this "
        "page again, byte for byte.",
        len(view.analysis.recording.sources),
        title=say.name(platform.title),
    )
    return Part("origin", say("Where does this page come from?"), answer, tables=tables)


def _files(view: View) -> Table:
    say = view.say
    columns = [
        Column(say("File")),
        Column(say("Format")),
        Column(say("Size"), "B", numeric=True),
        Column(say("Frames"), numeric=True),
        Column("SHA-256"),
    ]
    rows = [
        [word(one.name), word(one.format), number(one.bytes, 0, say), number(one.frames, 0, say), word(one.sha256)]
        for one in view.analysis.recording.sources
    ]
    return table("files", say("Log files"), columns, rows)


def _definitions(view: View) -> Table:
    say, platform = view.say, view.analysis.platform
    columns = [Column(say("Definition")), Column(say("Version")), Column("SHA-256")]
    rows = [[word(platform.id), word(platform.version or "–"), word(platform.sha256)]]
    rows += [
        [word(f"{bus.name}: {database.name}"), word("–"), word(database.sha256)]
        for bus in platform.buses
        for database in bus.databases
    ]
    return table("definitions", say("Definitions"), columns, rows)


def _rules(view: View) -> Table:
    rows = [rule_cells(one, view.say) for one in view.conditions]
    caption = view.say("Conditions for idle-stop, as the platform gives them")
    return table("rules", caption, rule_columns(view.say), rows)


def _settings(view: View) -> Table:
    say, rules, battery = view.say, view.analysis.platform.idle_stop, view.analysis.platform.battery
    columns = [Column(say("Setting")), Column(say("Value"), numeric=True), Column(say("Unit"))]
    settings: list[tuple[str, float | None, str]] = [
        (say("standing, up to"), rules.standing_kmh, "km/h"),
        (say("from standing to the decision"), rules.stop_delay_s, "s"),
        (say("shortest standstill that counts"), rules.min_standstill_s, "s"),
        (say("speed to be exceeded before the next stop"), rules.re_arm_kmh, "km/h"),
        (say("for"), rules.re_arm_s, "s"),
        (say("longest stop"), rules.max_stop_s, "s"),
        (say("longest good restart"), rules.restart_max_s, "s"),
        (say("lowest good voltage at a restart"), rules.restart_min_v, "V"),
        (say("rated capacity"), battery.capacity_nominal, "Ah"),
        (say("cold-cranking current"), battery.cold_cranking_a, "A"),
    ]
    rows = [
        [word(name), Cell(say("not given"), "") if value is None else number(value, 1, say), word(unit)]
        for name, value, unit in settings
    ]
    rows.append([word(say("battery type")), word(battery.type), word("–")])
    return table("settings", say("Settings"), columns, rows)


def _versions(view: View) -> Table:
    say = view.say
    rows = []
    for name in _PACKAGES:
        try:
            rows.append([word(name), word(version(name))])
        except PackageNotFoundError:
            rows.append([word(name), word(say("not installed"))])
    return table("versions", say("Versions"), [Column(say("Package")), Column(say("Version"))], rows)
