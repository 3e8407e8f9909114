"""`idlewhy fleet`: many vehicles over weeks, from a folder of logs to the page that says which need attention."""

from __future__ import annotations

from pathlib import Path

import click

from idlewhy.cli.fleet_store import STORE, existing_store, folder_for
from idlewhy.cli.lazy import LazyGroup
from idlewhy.cli.output import JSON, check_outputs, note, say, write_json, write_text

SUBCOMMANDS = {"add": "idlewhy.cli.fleet_add:add", "watch": "idlewhy.cli.fleet_watch:watch"}


@click.group(cls=LazyGroup, modules=SUBCOMMANDS)
def fleet() -> None:
    """Follow many vehicles over weeks.

    \b
    Example:
      idlewhy fleet add logs/ --manifest fleet.csv
      idlewhy fleet report -o fleet.html
    """


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

    data = fleet_of_store(existing_store(store)).where(platform=platform, battery_type=battery_type, depot=depot)
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

    history = history_of_store(existing_store(store), metric_named(metric), vehicle=vehicle)
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

    written = export_tables(existing_store(store), folder_for(out), kind)
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

    done = merge(existing_store(store), grace_s=grace)
    for name in done.set_aside:
        note(f"{name} is damaged and was set aside with its part; add its logs again.")
    click.echo(f"{done.merged} parts merged into {done.into}, {done.deleted} files removed.")


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

    learned = learn_from_store(existing_store(store), load_platform(platform))
    click.echo(f"{learned.decisions} decisions, {learned.stops} of them stops.")
    for one in learned.thresholds:
        low, high = one.stop_level.low, one.stop_level.high
        words = one.fit.replace("_", " ")
        click.echo(f"{one.condition.name}: between {low:g} and {high:g} {one.unit}, file {one.in_file:g}: {words}")
    for sentence in learned.wrong:
        click.echo(str(sentence))
