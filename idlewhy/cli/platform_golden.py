"""`idlewhy platform golden`: frames of a log as [[golden]] tables for review."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from idlewhy.cli.output import CSV_COLUMNS, LOGS, check_outputs, note, write_text

if TYPE_CHECKING:
    from decoder.logs import ReadOptions


@click.command()
@click.argument("which", metavar="ID|FOLDER")
@LOGS
@click.option("--out", "-o", default="-", metavar="FILE|-", help="Where the tables go; standard output if left out.")
@click.option("--frames", default=3, show_default=True, type=click.IntRange(1, 20), help="Frames of each message.")
@CSV_COLUMNS
def golden(which: str, logs: tuple[str, ...], out: str, frames: int, options: ReadOptions) -> None:
    """Write frames of a log with the role values they give today.

    They are to be reviewed and appended to platform.toml; `idlewhy platform check` then holds the platform against them
    for good: a change of a database that moves a bit is found. They prove nothing before someone has compared them with
    another source.

    \b
    Example:
      idlewhy platform golden ./my-car monday.blf -o golden.toml
    """
    from idlewhy.platform_kit.golden import golden_frames, golden_text
    from signal_defs.load import load_platform

    check_outputs([out], logs)
    entries = golden_frames(load_platform(which), logs, each=frames, options=options)
    write_text(out, golden_text(entries))
    note(f"{len(entries)} frames to be reviewed" + ("" if out == "-" else f"  -> {out}"))
