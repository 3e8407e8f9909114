"""`idlewhy platform show`: a platform on one page, in the terminal or as HTML."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from idlewhy.cli.output import JSON, LANGUAGE, console, write_json, write_text

if TYPE_CHECKING:
    from rich.console import Console

    from idlewhy.platform_kit.result import Origins
    from signal_defs.platform import Platform


@click.command()
@click.argument("which", metavar="ID|FOLDER")
@click.option("--out", "-o", metavar="OUT.html", help="Write the page as HTML.")
@LANGUAGE
@JSON
def show(which: str, out: str | None, language: str, json_out: str | None) -> None:
    """Show a platform on one page.

    It tells buses, roles, battery, conditions, what is missing and what that costs. Where it extends another platform,
    the result is shown, and which file each part comes from.

    \b
    Examples:
      idlewhy platform show example-van
      idlewhy platform show example-van -o example-van.html
    """
    from idlewhy.platform_kit.result import origins_of
    from signal_defs.load import load_platform

    known = load_platform(which)
    origins = origins_of(which)
    if json_out:
        write_json(json_out, _as_json(known, origins))
    if out:
        from reports.platform_page import platform_page

        write_text(out, platform_page(known, origins=_rows(origins), language=language))
    if "-" not in {json_out, out}:
        _print(known, origins)


def _as_json(known: Platform, origins: Origins) -> dict[str, Any]:
    from signal_defs.costs import missing

    return {
        "schema": "idlewhy.platform/1",
        "id": known.id,
        "title": known.title,
        "version": known.version,
        "sha256": known.sha256,
        "folder": str(known.folder),
        "extends": list(known.extends),
        "buses": [
            {
                "name": bus.name,
                "kind": bus.kind,
                "channels": list(bus.channels),
                "messages": len(bus.messages),
                "databases": [asdict(database) for database in bus.databases],
            }
            for bus in known.buses
        ],
        "roles": {role: binding.source for role, binding in known.bindings.items()},
        "battery": asdict(known.battery),
        "conditions": [asdict(condition) for condition in known.idle_stop.conditions],
        "unseen_roles": unseen_roles(known),
        "missing": [{"roles": list(one.any_of), "cost": str(one.cost)} for one in missing(known.bindings)],
        "from_file": _rows(origins),
    }


def _rows(origins: Origins) -> list[tuple[str, str, str]]:
    """(kind, name, place) of everything."""
    return [(kind, name, place) for (kind, name), place in origins.items()]


def unseen_roles(known: Platform) -> list[str]:
    """Roles that a condition asks for and no signal plays; battery_soc is estimated where it is not broadcast."""
    asked = {condition.role for condition in known.idle_stop.conditions}
    return sorted(asked - set(known.bindings) - {"battery_soc"})


def _print(known: Platform, origins: Origins) -> None:
    from rich.markup import escape

    from reports.platform_words import channel_words, rating_words

    screen = console()
    screen.print(f"[bold]{escape(known.title)}[/bold]")
    screen.print(escape(f"{known.id}, version {known.version or '-'}, definition {known.sha256[:12]}"))
    for folder in known.extends:
        screen.print(escape(f"Laid over {folder}"))
    screen.print(f"Battery: {rating_words(known.battery)}")
    for bus in known.buses:
        names = ", ".join(database.name for database in bus.databases)
        used = sorted({binding.message for binding in known.bindings.values() if binding.bus == bus.name})
        screen.print(
            escape(f"Bus {bus.name}: {bus.kind}, {len(bus.messages)} messages from {names}; {channel_words(bus)}")
        )
        screen.print(escape(f"    used: {', '.join(used) or 'none'}"))
    _tables(screen, known, origins)


def _from(origins: Origins, kind: str, name: str, wanted: tuple[str, ...]) -> list[str]:
    """The place as a cell; none where the column is not wanted."""
    from rich.markup import escape

    return [escape(origins.get((kind, name), "-"))] if wanted else []


def _tables(screen: Console, known: Platform, origins: Origins) -> None:
    from rich.markup import escape
    from rich.table import Table

    from reports.platform_words import rule_words
    from signal_defs.costs import missing

    extended = ("from",) if known.extends else ()
    roles = Table("role", "unit", "signal", *extended, box=None, pad_edge=False, header_style="bold")
    for name, binding in known.bindings.items():
        roles.add_row(escape(name), binding.role.unit, escape(binding.source), *_from(origins, "role", name, extended))
    screen.print(roles)
    head = ("condition", "group", "must hold", "applies to", *extended)
    rules = Table(*head, box=None, pad_edge=False, header_style="bold")
    for condition in known.idle_stop.conditions:
        words = (escape(condition.name), condition.group, escape(rule_words(condition)), condition.applies_to)
        rules.add_row(*words, *_from(origins, "condition", condition.name, extended))
    screen.print(rules)
    lost = missing(known.bindings)
    if lost:
        screen.print("[bold]Missing, and what that costs[/bold]")
        for one in lost:
            screen.print(escape(f"{' or '.join(one.any_of[:3])}{', ...' if len(one.any_of) > 3 else ''}: {one.cost}"))
    unseen = unseen_roles(known)
    if unseen:
        screen.print(escape(f"No signal for {', '.join(unseen)}: these conditions stay unknown."))
