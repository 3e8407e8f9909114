"""`idlewhy platform`: the known platforms, one of them on a page, and what is wrong with one."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from idlewhy.cli.output import JSON, console, write_json

if TYPE_CHECKING:
    from signal_defs.platform import Condition, Platform

ONE = click.argument("which", metavar="ID|FOLDER")


@click.group()
def platform() -> None:
    r"""List, show and check platforms: what a vehicle's signals mean and when it allows idle-stop.

    \b
    Example:
      idlewhy platform check example-van
    """


@platform.command(name="list")
@JSON
def list_known(json_out: str | None) -> None:
    r"""List the platforms that can be named by id, and where each was found.

    \b
    Example:
      idlewhy platform list
    """
    from signal_defs.load import list_platforms

    entries = list_platforms()
    if json_out:
        write_json(json_out, [{**asdict(entry), "folder": str(entry.folder)} for entry in entries])
    if json_out != "-":
        for entry in entries:
            click.echo(f"{entry.id:<20} {entry.title}  [{entry.origin}]" + (f"  {entry.fault}" if entry.fault else ""))


@platform.command()
@ONE
@JSON
def check(which: str, json_out: str | None) -> None:
    r"""Say what is wrong or doubtful in a platform; ends with 4 where anything is wrong.

    \b
    Example:
      idlewhy platform check ./my-platform
    """
    from signal_defs.check import check_platform

    findings = check_platform(which)
    errors = sum(finding.weight == "error" for finding in findings)
    if json_out:
        rows = [
            {"code": f.code, "weight": f.weight, "place": f.place, "what": str(f.what), "mend": str(f.mend)}
            for f in findings
        ]
        write_json(json_out, {"schema": "idlewhy.platform-check/1", "platform": which, "findings": rows})
    if json_out != "-":
        for finding in findings:
            click.echo(f"{finding.weight}: {finding.place}: {finding.what}\n    Mend: {finding.mend}")
        warnings = sum(finding.weight == "warning" for finding in findings)
        click.echo(f"{which}: {errors} errors, {warnings} warnings, {len(findings) - errors - warnings} notes.")
    click.get_current_context().exit(4 if errors else 0)


@platform.command()
@ONE
@JSON
def show(which: str, json_out: str | None) -> None:
    r"""Show a platform on one page: buses, roles, battery, conditions, and what is missing.

    \b
    Example:
      idlewhy platform show example-van
    """
    from signal_defs.load import load_platform

    known = load_platform(which)
    if json_out:
        write_json(json_out, _as_json(known))
    if json_out != "-":
        _print(known)


def _as_json(known: Platform) -> dict[str, Any]:
    return {
        "schema": "idlewhy.platform/1",
        "id": known.id,
        "title": known.title,
        "version": known.version,
        "sha256": known.sha256,
        "folder": str(known.folder),
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
    }


def unseen_roles(known: Platform) -> list[str]:
    """Roles that a condition asks for and no signal plays; battery_soc is estimated where it is not broadcast."""
    asked = {condition.role for condition in known.idle_stop.conditions}
    return sorted(asked - set(known.bindings) - {"battery_soc"})


def _print(known: Platform) -> None:
    from rich.markup import escape
    from rich.table import Table

    screen = console()
    screen.print(f"[bold]{escape(known.title)}[/bold]")
    screen.print(escape(f"{known.id}, version {known.version or '-'}, definition {known.sha256[:12]}"))
    battery = known.battery
    rating = (
        f", {battery.cold_cranking_a:g} A {battery.cold_cranking_standard or ''}" if battery.cold_cranking_a else ""
    )
    screen.print(f"Battery: {battery.type}, {battery.capacity_nominal:g} Ah{rating}")
    for bus in known.buses:
        names = ", ".join(database.name for database in bus.databases)
        channels = ", ".join(bus.channels) or "told by identifiers"
        screen.print(
            escape(f"Bus {bus.name}: {bus.kind}, {len(bus.messages)} messages from {names}; channels: {channels}")
        )
    roles = Table("role", "unit", "signal", box=None, pad_edge=False, header_style="bold", title_justify="left")
    for name, binding in known.bindings.items():
        roles.add_row(escape(name), binding.role.unit, escape(binding.source))
    screen.print(roles)
    rules = Table("condition", "group", "must hold", "applies to", box=None, pad_edge=False, header_style="bold")
    for condition in known.idle_stop.conditions:
        rules.add_row(escape(condition.name), condition.group, escape(_rule(condition)), condition.applies_to)
    screen.print(rules)
    missing = unseen_roles(known)
    if missing:
        screen.print(escape(f"No signal for {', '.join(missing)}: these conditions stay unknown."))


def _rule(condition: Condition) -> str:
    """A condition as it reads in platform.toml, in words."""
    if condition.at_least is not None:
        words = f"{condition.role} at least {condition.at_least:g}"
    elif condition.at_most is not None:
        words = f"{condition.role} at most {condition.at_most:g}"
    else:
        words = f"{condition.role} is {str(condition.equals).lower()}"
    return words + (f", {condition.hysteresis:g} to recover" if condition.hysteresis else "")
