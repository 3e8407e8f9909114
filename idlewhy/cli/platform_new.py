"""`idlewhy platform new`: a folder to begin with, from databases and logs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from idlewhy.cli.output import CSV_COLUMNS, note

if TYPE_CHECKING:
    from decoder.logs import ReadOptions


@click.command()
@click.option(
    "--from", "databases", multiple=True, metavar="DB", help="A DBC, KCD, SYM, ARXML or LDF file; one bus each."
)
@click.option("--log", "logs", multiple=True, metavar="LOG", help="A log of the vehicle: its behaviour speaks as well.")
@click.option("--out", "-o", metavar="DIR", help="The folder; left out, the id here.")
@click.option("--id", "platform_id", metavar="ID", help="The platform's id; left out, the folder's name.")
@CSV_COLUMNS
def new(
    databases: tuple[str, ...], logs: tuple[str, ...], out: str | None, platform_id: str | None, options: ReadOptions
) -> None:
    """Begin a platform from databases and logs.

    Roles are proposed with their reasons, as comments, and nothing is taken for granted. With a log the proposals go by
    behaviour too: the voltage is what falls when the current moves at a crank, and the cranks tell the current's sign.

    \b
    Example:
      idlewhy platform new --from sensor.ldf --from body.dbc --log monday.blf --out my-car
    """
    from idlewhy.platform_kit.new import new_platform
    from signal_defs.roles import REQUIRED_ROLES
    from signal_defs.scaffold_text import entry

    made = new_platform(databases, logs, folder=out, platform_id=platform_id, options=options)
    for role, ranked in made.proposals.items():
        others = f"  ({len(ranked) - 1} more)" if len(ranked) > 1 else ""
        click.echo(f"{ranked[0].strength:<6}  {entry(ranked[0])}{others}")
        if role == "battery_current":
            click.echo(f"        {ranked[0].reasons[-1]}")
    for role in REQUIRED_ROLES:
        if role not in made.proposals:
            click.echo(f"none    {role}: required, and nothing looks like it")
    for remark in made.notes:
        note(remark)
    click.echo(f"{len(made.proposals)} roles proposed as comments  -> {made.folder / 'platform.toml'}")
