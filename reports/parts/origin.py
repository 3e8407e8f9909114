"""Part 10: where the page comes from, enough to make it again byte for byte."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

from reports.part import Part
from reports.rule_tables import rule_columns, settings_table
from reports.table import Table, numbers, texts
from reports.view import View

# What can change a figure of the page.
_PACKAGES = ("idlewhy", "numpy", "scipy", "python-can", "cantools", "ldfparser", "tsdownsample", "jinja2", "babel")


def origin_part(view: View) -> Part:
    """Files, definitions, settings and versions."""
    say, platform = view.say, view.analysis.platform
    caption = say("Conditions for idle-stop, as the platform gives them")
    rules = Table("rules", caption, rule_columns(view.conditions, say))
    tables = (_files(view), _definitions(view), rules, settings_table(platform, say), _versions(view))
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
    say, sources = view.say, view.analysis.recording.sources
    columns = [
        texts(say("File"), [one.name for one in sources]),
        texts(say("Format"), [one.format for one in sources]),
        numbers(say, say("Size"), [one.bytes for one in sources], 0, "B"),
        numbers(say, say("Frames"), [one.frames for one in sources]),
        texts("SHA-256", [one.sha256 for one in sources]),
    ]
    return Table("files", say("Log files"), columns)


def _definitions(view: View) -> Table:
    say, platform = view.say, view.analysis.platform
    rows = [(platform.id, platform.version or "–", platform.sha256)]
    rows += [(f"{bus.name}: {one.name}", "–", one.sha256) for bus in platform.buses for one in bus.databases]
    columns = [
        texts(say("Definition"), [name for name, _, _ in rows]),
        texts(say("Version"), [edition for _, edition, _ in rows]),
        texts("SHA-256", [digest for _, _, digest in rows]),
    ]
    return Table("definitions", say("Definitions"), columns)


def _versions(view: View) -> Table:
    say = view.say
    columns = [
        texts(say("Package"), _PACKAGES),
        texts(say("Version"), [_version(name) or say("not installed") for name in _PACKAGES]),
    ]
    return Table("versions", say("Versions"), columns)


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return ""
