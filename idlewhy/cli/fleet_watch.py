"""`idlewhy fleet watch`: which vehicles break a rule, for a person or a scheduler."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from idlewhy.cli.fleet_store import STORE, existing_store
from idlewhy.cli.output import JSON, check_outputs, note, write_json

if TYPE_CHECKING:
    from fleet.store import Store
    from fleet.watch import Watched

ALERTS = 10  # what --exit-code ends with
EXIT_CODE = click.option("--exit-code", is_flag=True, help="End with 10 if a rule of the watch list is broken.")


@click.command()
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
    watched = look(existing_store(store), rules)
    if json_out:
        write_json(json_out, watched_json(watched))
    else:
        click.echo(f"{len(watched.alerts)} alerts, {len(watched.unjudged)} not judged for lack of data.")
    return ALERTS if exit_code and watched.alerts else 0


def look(store: Store, rules: str) -> Watched:
    """Hold the store's vehicles against a watch list; each alert goes to standard error."""
    from fleet.fleet_data import fleet_of_store
    from fleet.watch import read_rules
    from fleet.watch import watch as watch_fleet

    watched = watch_fleet(fleet_of_store(store), read_rules(rules))
    for alert in watched.alerts:
        figure = alert.figure
        note(f"{alert.rule}: {alert.vehicle}: {figure.value:g} ({figure.low:g} to {figure.high:g}). {alert.clears}")
    return watched


def watched_json(watched: Watched) -> dict[str, Any]:
    """Alerts and what could not be judged, as plain values."""
    return {
        "schema": "idlewhy.watch/1",
        "alerts": [asdict(one) | {"clears": str(one.clears)} for one in watched.alerts],
        "unjudged": [
            {"rule": rule, "vehicle": vehicle, "missing": str(missing)} for rule, vehicle, missing in watched.unjudged
        ],
    }
