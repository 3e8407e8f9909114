"""`idlewhy platform learn`: what logs say of the rules, as a proposal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from idlewhy.cli.output import CSV_COLUMNS, LOGS, PLATFORM, check_outputs, note, progress_bar, write_text

if TYPE_CHECKING:
    from decoder.logs import ReadOptions


@click.command()
@LOGS
@PLATFORM
@click.option(
    "--out", "-o", default="-", metavar="FILE|-", help="Where the proposal goes; standard output if left out."
)
@click.option("--one-vehicle", is_flag=True, help="All logs are of one vehicle and make one recording.")
@CSV_COLUMNS
def learn(logs: tuple[str, ...], platform: str, out: str, one_vehicle: bool, options: ReadOptions) -> None:
    """Propose the levels at which this kind of vehicle really decides.

    The proposal holds the evidence; no file is changed. Each LOG is a recording of its own, of any vehicle of the
    platform; the more, the narrower the intervals.

    \b
    Example:
      idlewhy platform learn monday.blf tuesday.blf --platform ./my-car
    """
    from idlewhy.platform_kit.learn import learn_rules

    check_outputs([out], logs)
    with progress_bar() as progress:
        learned = learn_rules(logs, platform, one_vehicle=one_vehicle, progress=progress, options=options)
    write_text(out, learned.toml)
    for words in learned.remarks:
        note(words)
