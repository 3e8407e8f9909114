"""`idlewhy platform check`: what is wrong or doubtful in a platform, alone and against logs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from idlewhy.cli.output import CSV_COLUMNS, JSON, check_outputs, progress_bar, write_json

if TYPE_CHECKING:
    from decoder.logs import ReadOptions
    from idlewhy.platform_kit.check import RoleCoverage


@click.command()
@click.argument("which", metavar="ID|FOLDER")
@click.option("--log", "logs", multiple=True, metavar="LOG", help="A log of this vehicle to hold the platform against.")
@CSV_COLUMNS
@JSON
def check(which: str, logs: tuple[str, ...], options: ReadOptions, json_out: str | None) -> None:
    """Say what is wrong or doubtful in a platform.

    Ends with 4 where anything is wrong. With logs also whether every role is seen, how often, in its range, with a
    sign, a zero and a scale that the battery can have, and whether counters and checksums fit.

    \b
    Examples:
      idlewhy platform check ./my-car
      idlewhy platform check ./my-car --log monday.blf --log tuesday.blf
    """
    from idlewhy.platform_kit.check import check_all

    check_outputs([json_out], logs)
    with progress_bar() as progress:
        checked = check_all(which, logs, progress=progress, options=options)
    findings = checked.findings
    if json_out:
        write_json(json_out, {"schema": "idlewhy.platform-check/1", "platform": which, **checked.as_json()})
    errors, warnings = (sum(finding.weight == weight for finding in findings) for weight in ("error", "warning"))
    if json_out != "-":
        for finding in findings:
            click.echo(f"{finding.weight}: {finding.place}: {finding.what}\n    Mend: {finding.mend}")
        if checked.coverage:
            _print_coverage(checked.coverage)
        click.echo(f"{which}: {errors} errors, {warnings} warnings, {len(findings) - errors - warnings} notes.")
    click.get_current_context().exit(4 if errors else 0)


def _print_coverage(coverage: tuple[RoleCoverage, ...]) -> None:
    from rich.markup import escape
    from rich.table import Table

    from idlewhy.cli.output import console

    columns = ("role", "signal", "samples", "Hz", "valid", "lowest", "highest", "unit")
    rows = Table(*columns, box=None, pad_edge=False, header_style="bold")
    for one in coverage:
        figures = [f"{one.samples:,}", _figure(one.rate_hz), f"{one.valid_share:.1%}" if one.samples else "-"]
        rows.add_row(
            escape(one.role), escape(one.source), *figures, _figure(one.lowest), _figure(one.highest), one.unit
        )
    console().print(rows)


def _figure(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"
