"""`idlewhy fleet add`: logs of many vehicles into the store."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from idlewhy.cli.fleet_store import STORE, folder_for
from idlewhy.cli.fleet_watch import ALERTS, EXIT_CODE, look, watched_json
from idlewhy.cli.output import JSON, check_outputs, note, progress_bar, say, write_json
from signal_defs.errors import UsageError

if TYPE_CHECKING:
    from fleet.privacy import Pseudonyms


@click.command()
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
    watched = look(opened, rules) if rules else None
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
        write_json(json_out, value | ({"watch": watched_json(watched)} if watched else {}))
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

    return PageWriter(str(folder_for(folder).absolute()))
