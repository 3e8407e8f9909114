"""`idlewhy platform`: begin, check, show, list platforms; golden frames; what logs teach of the rules."""

from __future__ import annotations

from dataclasses import asdict

import click

from idlewhy.cli.lazy import LazyGroup
from idlewhy.cli.output import JSON, write_json

SUBCOMMANDS = {
    "new": "idlewhy.cli.platform_new:new",
    "check": "idlewhy.cli.platform_check:check",
    "show": "idlewhy.cli.platform_show:show",
    "golden": "idlewhy.cli.platform_golden:golden",
    "learn": "idlewhy.cli.platform_learn:learn",
}


@click.group(cls=LazyGroup, modules=SUBCOMMANDS, short_help="Begin, check and show definitions of vehicles.")
def platform() -> None:
    """Begin, check and show platforms: what a vehicle's signals mean and when it allows idle-stop.

    \b
    Example:
      idlewhy platform check example-van
    """


@platform.command(name="list")
@JSON
def list_known(json_out: str | None) -> None:
    """List the platforms that can be named by id.

    Behind each stands where it was found: in a folder of IDLEWHY_PLATFORMS, among the user's own, or shipped.

    \b
    Example:
      idlewhy platform list
    """
    from signal_defs.load import list_platforms

    entries = list_platforms()
    if json_out:
        rows = [{**asdict(entry), "folder": str(entry.folder)} for entry in entries]
        write_json(json_out, {"schema": "idlewhy.platforms/1", "platforms": rows})
    if json_out != "-":
        for entry in entries:
            click.echo(f"{entry.id:<20} {entry.title}  [{entry.origin}]" + (f"  {entry.fault}" if entry.fault else ""))
