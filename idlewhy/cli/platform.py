"""`idlewhy platform`: begin, check, show, list platforms; golden frames; what logs teach of the rules."""

from __future__ import annotations

import importlib
from dataclasses import asdict

import click

from idlewhy.cli.output import JSON, write_json

SUBCOMMANDS = {
    "new": "idlewhy.cli.platform_new:new",
    "check": "idlewhy.cli.platform_check:check",
    "show": "idlewhy.cli.platform_show:show",
    "golden": "idlewhy.cli.platform_golden:golden",
    "learn": "idlewhy.cli.platform_learn:learn",
}


class _Lazy(click.Group):
    """Subcommands in modules of their own, imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [*SUBCOMMANDS, *super().list_commands(ctx)]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in SUBCOMMANDS:
            return super().get_command(ctx, cmd_name)
        module, _, name = SUBCOMMANDS[cmd_name].partition(":")
        command: click.Command = getattr(importlib.import_module(module), name)
        return command


@click.group(cls=_Lazy, short_help="Begin, check and show definitions of vehicles.")
def platform() -> None:
    """Begin, check and show platforms: what a vehicle's signals mean and when it allows idle-stop.

    \b
    Example:
      idlewhy platform check example-van
    """


@platform.command(name="list")
@JSON
def list_known(json_out: str | None) -> None:
    """List the platforms that can be named by id, and where each was found.

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
