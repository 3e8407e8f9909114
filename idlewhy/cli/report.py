"""`idlewhy report`: the main job, from log files to one HTML page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from idlewhy.cli.output import (
    CSV_COLUMNS,
    JSON,
    LANGUAGE,
    LOGS,
    PLATFORM,
    VEHICLE,
    check_outputs,
    progress_bar,
    say,
    write_json,
    write_text,
)
from idlewhy.whole_file import whole_file
from signal_defs.errors import UsageError

if TYPE_CHECKING:
    from decoder.logs import ReadOptions


@click.command(short_help="Say when idle-stop was refused, and why.")
@LOGS
@PLATFORM
@VEHICLE
@click.option("--out", "-o", metavar="OUT.html", help="Where the page goes; left out, VEHICLE.html here.")
@JSON
@click.option("--traces", metavar="OUT.parquet", help="Write the estimated traces as a Parquet table.")
@LANGUAGE
@CSV_COLUMNS
def report(
    logs: tuple[str, ...],
    platform: str,
    vehicle: str | None,
    out: str | None,
    json_out: str | None,
    traces: str | None,
    language: str,
    options: ReadOptions,
) -> None:
    """Say for every standstill whether idle-stop was allowed or refused, and why.

    All LOGs are of one vehicle and make one recording, in whatever order they are named.

    \b
    Example:
      idlewhy report monday.blf tuesday.asc --platform example-van -o van-017.html --json van-017.json
    """
    from idle_stop.analysis import analyse
    from reports.analysis_json import analysis_to_json
    from reports.summary import one_line
    from reports.vehicle import vehicle_page

    check_outputs([out, json_out, traces], logs)
    if traces == "-":
        raise UsageError("A Parquet table does not go to standard output.", mend="Name a file for --traces.")
    with progress_bar() as progress:
        analysis = analyse(logs, platform, vehicle=vehicle, progress=progress, options=options)
    page = out or f"{file_name(analysis.vehicle)}.html"
    check_outputs([page, json_out, traces], logs)
    write_text(page, vehicle_page(analysis, language=language))
    if json_out:
        write_json(json_out, analysis_to_json(analysis))
    if traces:
        import pyarrow.parquet as pq

        from reports.traces import traces_table

        with whole_file(traces) as half:
            pq.write_table(traces_table(analysis), half)
    line = one_line(analysis) if out == "-" else f"{one_line(analysis)}  -> {page}"
    say(line, out, json_out)


def file_name(vehicle: str) -> str:
    """A vehicle's name as a file name: whatever is no letter, digit, dot, dash or underscore becomes a dash."""
    name = "".join(sign if sign.isalnum() or sign in "._-" else "-" for sign in vehicle).strip(".-")
    return name[:80] or "vehicle"
