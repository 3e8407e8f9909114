"""`idlewhy fleet`: many vehicles over weeks, from a folder of logs to the page that says which need attention."""

from __future__ import annotations

import os
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from idlewhy.cli.output import JSON, check_outputs, note, progress_bar, say, write_json, write_text
from signal_defs.errors import UsageError

if TYPE_CHECKING:
    from fleet.privacy import Pseudonyms
    from fleet.store import Store
    from fleet.watch import Watched

ALERTS = 10  # what --exit-code ends with
EXIT_CODE = click.option("--exit-code", is_flag=True, help="End with 10 if a rule of the watch list is broken.")

STORE = click.option(
    "--store",
    "-s",
    metavar="FOLDER|URL",
    default="idlewhy-store",
    envvar="IDLEWHY_STORE",
    show_default=True,
    show_envvar=True,
    help="Where the store is: a folder, or a URL such as s3://bucket/fleet.",
)


@click.group()
def fleet() -> None:
    """Follow many vehicles over weeks.

    \b
    Example:
      idlewhy fleet add logs/ --manifest fleet.csv
      idlewhy fleet report -o fleet.html
    """


@fleet.command()
@click.argument("places", nargs=-1, required=True, metavar="LOG|FOLDER|PATTERN...")
@STORE
@click.option("--platform", "-p", metavar="ID|FOLDER", default="", help="Platform of vehicles the manifest gives none.")
@click.option("--manifest", metavar="FILE.csv", help="Table: vehicle, platform, battery, depot, visits, logs.")
@click.option("--pattern", default="", help='How paths tell the vehicle, such as "{vehicle}/{recording}-*.blf".')
@click.option("--vehicle", metavar="ID", default="", help="All logs are of this vehicle.")
@click.option("--together", is_flag=True, help="All logs of a vehicle are one recording, nights between them too.")
@click.option("--workers", "-w", type=click.IntRange(0), help="Local processes; 0 for none. [default: one a core]")
@click.option("--scheduler", metavar="tcp://HOST:PORT", default="", help="Work on this Dask cluster instead.")
@click.option("--pseudonym-key", metavar="FILE", help="Replace vehicles' names by a keyed hash.")
@click.option("--pages", metavar="FOLDER", help="Write each recording's own page there as well.")
@click.option("--watch", "rules", metavar="FILE.toml", help="Look at these rules afterwards.")
@EXIT_CODE
@JSON
def add(
    places: tuple[str, ...],
    store: str,
    platform: str,
    manifest: str | None,
    pattern: str,
    vehicle: str,
    together: bool,
    workers: int | None,
    scheduler: str,
    pseudonym_key: str | None,
    pages: str | None,
    rules: str | None,
    exit_code: bool,
    json_out: str | None,
) -> int:
    """Add logs; what is in already is skipped, a bad log stops nothing. Run again after an interruption to go on.

    \b
    Example:
      idlewhy fleet add week-17/ --manifest fleet.csv --store fleet
    """
    check_outputs([json_out])
    from fleet.batch import add_logs, add_manifest
    from fleet.manifest import read_manifest
    from fleet.privacy import read_key
    from fleet.sources import find_logs, tasks_of
    from fleet.store import open_store

    rows = read_manifest(manifest) if manifest else ()
    logs = find_logs(places, leave_out=[Path(manifest)] if manifest else [])
    tasks, unplaced = tasks_of(
        logs,
        manifest=rows,
        manifest_folder=Path(manifest).parent if manifest else None,
        pattern=pattern,
        vehicle=vehicle,
        platform=platform,
        together=together,
    )
    pseudonyms = read_key(pseudonym_key) if pseudonym_key else None
    opened = open_store(store)
    if rows:
        add_manifest(opened, rows, pseudonyms)
    with progress_bar() as progress:
        report = add_logs(
            opened,
            tasks,
            workers=_workers(workers, scheduler, len(tasks)),
            scheduler=scheduler,
            pseudonyms=pseudonyms,
            also=_page_writer(pages, pseudonyms),
            progress=progress,
        )
    faults = [(" ".join(one.task.logs), one.why) for one in report.failed] + [(one.log, one.why) for one in unplaced]
    for log, why in faults:
        note(f"not added: {log}\n    {why}")
    watched = _look(opened, rules) if rules else None
    line = (
        f"{report.added} recordings added, {report.known} were in already, {len(faults)} not added; "
        f"{report.seconds:.0f} s, {report.rate:.1f} a second.  -> {opened.url}"
    )
    say(line, json_out)
    if json_out:
        value: dict[str, Any] = {
            "schema": "idlewhy.fleet-add/1",
            "added": report.added,
            "known": report.known,
            "not_added": [{"log": log, "why": why} for log, why in faults],
        }
        write_json(json_out, value | ({"watch": _watched_json(watched)} if watched else {}))
    if exit_code and watched and watched.alerts:
        return ALERTS
    return 3 if faults and not report.added and not report.known else 0


def _workers(asked: int | None, scheduler: str, tasks: int) -> int:
    """How many local processes: what was asked, else one a core, but none where there is too little to share out."""
    if scheduler:
        return 0
    if asked is not None:
        return asked
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)
    return min(cores, tasks) if tasks > 2 else 0


def _page_writer(folder: str | None, pseudonyms: Pseudonyms | None) -> Any:
    if not folder:
        return None
    if pseudonyms:
        raise UsageError("Pages show names.", where="--pages", mend="Leave out --pages or --pseudonym-key.")
    from idlewhy.cli.fleet_pages import PageWriter

    return PageWriter(str(_folder(folder).absolute()))


@fleet.command()
@STORE
@click.option("--out", "-o", metavar="OUT.html", default="fleet.html", show_default=True, help="Where the page goes.")
@click.option("--pages", metavar="FOLDER", help="Link to vehicles' own pages in this folder, VEHICLE.html.")
@click.option("--language", type=click.Choice(["en", "de"]), default="en", show_default=True, help="Of the page.")
@click.option(
    "--most", type=click.IntRange(1), default=500, show_default=True, help="Vehicles with a row of their own."
)
@click.option("--platform", metavar="ID", default="", help="Only vehicles of this platform.")
@click.option("--battery-type", metavar="TYPE", default="", help="Only those with a battery of this type.")
@click.option("--depot", metavar="NAME", default="", help="Only those of this depot.")
@JSON
def report(
    store: str,
    out: str,
    pages: str | None,
    language: str,
    most: int,
    platform: str,
    battery_type: str,
    depot: str,
    json_out: str | None,
) -> None:
    """Write the page of the fleet.

    It tells which vehicles need attention and why, where the stops go, and what gets worse.

    \b
    Example:
      idlewhy fleet report --store fleet -o fleet.html
    """
    check_outputs([out, json_out])
    from fleet.fleet_data import fleet_of_store
    from fleet.ranking import rank
    from idlewhy.cli.fleet_pages import links_to, ranking_json
    from reports.fleet import fleet_line, fleet_page

    data = fleet_of_store(_existing(store)).where(platform=platform, battery_type=battery_type, depot=depot)
    ranked = rank(data)
    links = links_to(data.vehicles.index, Path(pages), Path(out)) if pages else {}
    write_text(out, fleet_page(data, ranked, links=links, language=language, most=most))
    if json_out:
        write_json(json_out, ranking_json(data, ranked))
    line = f"{fleet_line(ranked)}  -> {out}"
    say(line, out, json_out)


@fleet.command()
@click.argument("metric")
@STORE
@click.option("--vehicle", metavar="ID", help="This vehicle alone.")
@click.option("--csv", "csv_out", metavar="FILE|-", help="Write the table as CSV; - is standard output.")
@JSON
def trend(metric: str, store: str, vehicle: str | None, csv_out: str | None, json_out: str | None) -> None:
    """Tell one figure of every vehicle, and where it is going.

    A row tells its level, its change a month with the interval, the verdict, and what data is missing. METRIC:
    resistance, rest_soc, quiescent, crank_voltage, stop_rate, battery_share, refused_share, auto_stop_share, balance.

    \b
    Example:
      idlewhy fleet trend resistance --store fleet
    """
    check_outputs([csv_out, json_out])
    from fleet.history import history_of_store
    from fleet.trends import metric_named, trends_of
    from idlewhy.cli.fleet_pages import TREND_COLUMNS, trend_row, trend_words

    history = history_of_store(_existing(store), metric_named(metric), vehicle=vehicle)
    rows = [trend_row(one) for one in trends_of(history, metric)]
    if json_out:
        write_json(json_out, {"schema": "idlewhy.fleet-trend/1", "metric": metric, "vehicles": rows})
    if csv_out:
        import csv
        import io

        text = io.StringIO(newline="")
        writer = csv.DictWriter(text, TREND_COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        write_text(csv_out, text.getvalue())
    if not (json_out or csv_out):
        from rich.table import Table

        from idlewhy.cli.output import console

        table = Table("vehicle", "level", "a month", "verdict", "missing", box=None)
        for row in rows:
            table.add_row(*trend_words(row))
        console().print(table)


@fleet.command()
@STORE
@click.option("--out", "-o", metavar="FOLDER", required=True, help="One file a table goes there.")
@click.option("--format", "kind", type=click.Choice(["parquet", "csv", "json"]), default="parquet", show_default=True)
def export(store: str, out: str, kind: str) -> None:
    """Write the store's tables for other programs.

    Each table is one whole file.

    \b
    Example:
      idlewhy fleet export --store fleet --format csv -o tables
    """
    from fleet.export import export_tables

    written = export_tables(_existing(store), _folder(out), kind)
    for name, rows in written.items():
        click.echo(f"{name}: {rows} rows")


@fleet.command()
@STORE
@click.option("--grace", type=float, default=900.0, show_default=True, help="Seconds that readers have to finish.")
def compact(store: str, grace: float) -> None:
    """Merge small files, and set damaged ones aside.

    What was merged is removed. Others may read and write meanwhile.

    \b
    Example:
      idlewhy fleet compact --store fleet
    """
    from fleet.compact import compact as merge

    done = merge(_existing(store), grace_s=grace)
    for name in done.set_aside:
        note(f"{name} is damaged and was set aside with its part; add its logs again.")
    click.echo(f"{done.merged} parts merged into {done.into}, {done.deleted} files removed.")


@fleet.command()
@STORE
@click.option("--rules", "-r", metavar="FILE.toml", required=True, help="The watch list.")
@EXIT_CODE
@JSON
def watch(store: str, rules: str, exit_code: bool, json_out: str | None) -> int:
    """Tell which vehicles break a rule of the watch list.

    Each is told with the figure and what clears it. For a scheduler, --exit-code ends with 10 if a rule is broken.

    \b
    Example:
      idlewhy fleet watch --store fleet --rules watch.toml --exit-code --json -
    """
    check_outputs([json_out])
    watched = _look(_existing(store), rules)
    if json_out:
        write_json(json_out, _watched_json(watched))
    else:
        click.echo(f"{len(watched.alerts)} alerts, {len(watched.unjudged)} not judged for lack of data.")
    return ALERTS if exit_code and watched.alerts else 0


@fleet.command()
@STORE
@click.option("--platform", "-p", metavar="ID|FOLDER", required=True, help="The definition the logs were read with.")
def learn(store: str, platform: str) -> None:
    """Tell at which levels the fleet's vehicles really decide.

    All decisions in the store take part.

    \b
    Example:
      idlewhy fleet learn --store fleet --platform example-van
    """
    from fleet.learning import learn_from_store
    from signal_defs.load import load_platform

    learned = learn_from_store(_existing(store), load_platform(platform))
    click.echo(f"{learned.decisions} decisions, {learned.stops} of them stops.")
    for one in learned.thresholds:
        low, high = one.stop_level.low, one.stop_level.high
        words = one.fit.replace("_", " ")
        click.echo(f"{one.condition.name}: between {low:g} and {high:g} {one.unit}, file {one.in_file:g}: {words}")
    for sentence in learned.wrong:
        click.echo(str(sentence))


def _folder(name: str) -> Path:
    """A folder for results, made where it is not there. Raises UsageError where nothing can be written into it."""
    folder = Path(name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise UsageError(
            f"The folder cannot be made ({fault.strerror}).", where=name, mend="Name another one."
        ) from fault
    if not os.access(folder, os.W_OK):
        raise UsageError("The folder cannot be written into.", where=name, mend="Name a folder of your own.")
    return folder


def _existing(store: str) -> Store:
    from fleet.store import open_store

    return open_store(store, must_exist=True)


def _look(store: Store, rules: str) -> Watched:
    from fleet.fleet_data import fleet_of_store
    from fleet.watch import read_rules
    from fleet.watch import watch as look

    watched = look(fleet_of_store(store), read_rules(rules))
    for alert in watched.alerts:
        figure = alert.figure
        note(f"{alert.rule}: {alert.vehicle}: {figure.value:g} ({figure.low:g} to {figure.high:g}). {alert.clears}")
    return watched


def _watched_json(watched: Watched) -> dict[str, Any]:
    return {
        "schema": "idlewhy.watch/1",
        "alerts": [asdict(one) | {"clears": str(one.clears)} for one in watched.alerts],
        "unjudged": [
            {"rule": rule, "vehicle": vehicle, "missing": str(missing)} for rule, vehicle, missing in watched.unjudged
        ],
    }
