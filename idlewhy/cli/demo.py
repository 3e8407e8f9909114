"""`idlewhy demo`: an invented fleet, from its log files to its reports."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from idlewhy.cli.output import progress_bar, write_json, write_text
from signal_defs.errors import UsageError

if TYPE_CHECKING:
    from idle_stop.analysis import Analysis, Progress
    from idlewhy.demo.truth import DemoVehicle


@click.command(short_help="Simulate a small fleet, and write its reports.")
@click.option(
    "--out", metavar="DIR", default="idlewhy-demo", show_default=True, help="Where the logs and the pages go."
)
def demo(out: str) -> None:
    """Simulate an invented fleet, write its logs, analyse them, and write the reports.

    Every vehicle has one story; the pages are made from the log files alone. A second fleet of twelve vans over eight
    weeks has no logs: its store is drawn, to show trends and what visits to the workshop changed.

    \b
    Example:
      idlewhy demo --out demo
    """
    from fleet.fleet_data import fleet_of_analyses
    from fleet.ranking import rank
    from idlewhy.demo import make_logs
    from reports.compare import compare_page
    from reports.fleet import fleet_line, fleet_page

    folder = Path(out)
    logs = folder / "logs"
    try:
        logs.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise UsageError(
            f"The folder cannot be made: {fault.strerror}.", where=str(logs), mend="Name another folder."
        ) from fault
    with progress_bar() as progress:
        vehicles = make_logs(logs)
        write_text(logs / "fleet.csv", _manifest(vehicles))
        analyses = dict(_analysed(vehicles, folder, progress))
    for vehicle in vehicles:
        if vehicle.after:
            page = folder / f"{vehicle.after}-repair.html"
            write_text(page, compare_page(analyses[vehicle.after], analyses.pop(vehicle.id)))
            click.echo(f"{vehicle.after} before and after its repair\n    -> {page}")
    data = fleet_of_analyses(analyses.values())
    ranked = rank(data)
    write_text(folder / "fleet.html", fleet_page(data, ranked, links={one: f"{one}.html" for one in analyses}))
    click.echo(f"{fleet_line(ranked)}\n    -> {folder / 'fleet.html'}")
    _weeks(folder)


def _weeks(folder: Path) -> None:
    """A store of twelve vans over eight weeks, and its page."""
    from fleet.fleet_data import fleet_of_store
    from fleet.ranking import rank
    from fleet.store import open_store
    from idlewhy.demo.weeks import write_weeks
    from reports.fleet import fleet_line, fleet_page

    store = open_store(folder / "weeks")
    write_weeks(store)
    data = fleet_of_store(store)
    ranked = rank(data)
    write_text(folder / "weeks.html", fleet_page(data, ranked))
    click.echo(f"Twelve vans over eight weeks: {fleet_line(ranked)}\n    -> {folder / 'weeks.html'}")


def _manifest(vehicles: Sequence[DemoVehicle]) -> str:
    """The fleet as `idlewhy fleet add --manifest` reads it; a mended vehicle was in the workshop the day before."""
    table = io.StringIO()
    rows = csv.writer(table, lineterminator="\n")
    rows.writerow(("vehicle", "platform", "depot", "visits", "logs"))
    for vehicle in vehicles:
        if vehicle.after:
            continue
        later = [one for one in vehicles if one.after == vehicle.id]
        visits = "2025-03-11" if later else ""
        names = [log.name for one in (vehicle, *later) for log in one.logs]
        depot = "mill lane" if vehicle.platform == "example-van" else "market square"
        rows.writerow((vehicle.id, vehicle.platform, depot, visits, "|".join(names)))
    return table.getvalue()


def _analysed(
    vehicles: Sequence[DemoVehicle], folder: Path, progress: Progress | None
) -> Iterator[tuple[str, Analysis]]:
    """Analyse one vehicle after the other, write its page and its JSON, hand it on by its id."""
    from idle_stop.analysis import analyse
    from reports.analysis_json import analysis_to_json
    from reports.summary import one_line
    from reports.vehicle import vehicle_page

    for done, vehicle in enumerate(vehicles):
        if progress:
            progress("analysing", done, len(vehicles))
        analysis = analyse(vehicle.logs, vehicle.platform, vehicle=vehicle.after or vehicle.id)
        write_text(folder / f"{vehicle.id}.html", vehicle_page(analysis))
        write_json(folder / f"{vehicle.id}.json", analysis_to_json(analysis))
        click.echo(f"{one_line(analysis)}\n    -> {folder / vehicle.id}.html")
        yield vehicle.id, analysis
