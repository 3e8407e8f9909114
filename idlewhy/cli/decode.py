"""`idlewhy decode`: the signals of a log as a table in a file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from idlewhy.cli.output import CSV_COLUMNS, LOGS, PLATFORM, check_outputs, note, progress_bar
from idlewhy.whole_file import whole_file
from signal_defs.errors import UsageError

if TYPE_CHECKING:
    from decoder.logs import ReadOptions


@click.command(short_help="Write the signals of a log as a table.")
@LOGS
@PLATFORM
@click.option("--out", "-o", required=True, metavar="OUT", help="A .parquet or .csv file.")
@click.option("--role", "roles", multiple=True, metavar="NAME", help="Only this role; may be given several times.")
@click.option(
    "--signal", "signals", multiple=True, metavar="NAME", help="Only this signal; may be given several times."
)
@click.option("--wide", is_flag=True, help="One column a signal; else one row a sample.")
@CSV_COLUMNS
def decode(
    logs: tuple[str, ...],
    platform: str,
    out: str,
    roles: tuple[str, ...],
    signals: tuple[str, ...],
    wide: bool,
    options: ReadOptions,
) -> None:
    """Write the decoded signals of a log as Parquet or CSV: all that the platform defines, or those chosen.

    \b
    Examples:
      idlewhy decode monday.blf --platform example-van -o monday.parquet
      idlewhy decode monday.blf -p example-van --role battery_voltage --role battery_current --wide -o monday.csv
    """
    from decoder.signal_files import write_signals
    from decoder.signals import DecodeReport, choose_columns, decode_signals
    from signal_defs.load import load_platform

    target = Path(out)
    if target.suffix.lower() not in {".parquet", ".csv"}:
        raise UsageError("The output is neither Parquet nor CSV.", where=out, mend="End its name in .parquet or .csv.")
    check_outputs([out], logs)
    known = load_platform(platform, whole=False)
    columns = choose_columns(known, roles, signals)
    report = DecodeReport()
    with progress_bar() as progress, whole_file(target) as half:
        batches = decode_signals(logs, known, columns, report=report, progress=progress, options=options)
        rows = write_signals(batches, columns, half, "wide" if wide else "long")
    click.echo(f"{report.decoded:,} of {report.frames:,} frames decoded, {rows:,} rows  -> {target}")
    for words in report.notes:
        note(words)
    for kind, count in report.rejected.items():
        note(f"not decoded: {count:,} {kind.replace('_', ' ')}")
