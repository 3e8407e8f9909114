"""`idlewhy compare`: before and after a repair, on the same figures."""

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
from signal_defs.errors import UsageError

if TYPE_CHECKING:
    from decoder.logs import ReadOptions


class _ManyAfter(click.Command):
    """A command that takes every word behind --with, up to the next option, as a log from after the repair."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        spelt: list[str] = []
        behind = False
        for word in args:
            option = word.startswith("-") and word != "-"
            if behind and not option and spelt[-1] != "--with":
                spelt.append("--with")
            behind = word == "--with" if option else behind
            spelt.append(word)
        return super().parse_args(ctx, spelt)


@click.command(cls=_ManyAfter, short_help="Hold before and after a repair side by side.")
@LOGS
@click.option(
    "--with",
    "after",
    multiple=True,
    required=True,
    metavar="AFTER",
    help="A log from after the repair; may be repeated.",
)
@PLATFORM
@VEHICLE
@click.option("--out", "-o", required=True, metavar="OUT.html", help="Where the page goes.")
@JSON
@LANGUAGE
@CSV_COLUMNS
def compare(
    logs: tuple[str, ...],
    after: tuple[str, ...],
    platform: str,
    vehicle: str | None,
    out: str,
    json_out: str | None,
    language: str,
    options: ReadOptions,
) -> None:
    """Say which findings went, which stayed, and how sure that is; LOGS are from before the repair.

    \b
    Example:
      idlewhy compare before.blf --with after.blf --platform example-van -o repair.html
    """
    from idle_stop.analysis import analyse
    from idle_stop.comparison import compare as judge
    from reports.compare import compare_page
    from reports.summary import one_line

    both = sorted(set(logs) & set(after))
    if both:
        raise UsageError("A log is named both as before and as after.", where=both[0], mend="Name it on one side only.")
    check_outputs([out, json_out], [*logs, *after])
    with progress_bar() as progress:
        first = analyse(logs, platform, vehicle=vehicle, progress=progress, options=options)
        second = analyse(after, platform, vehicle=vehicle or first.vehicle, progress=progress, options=options)
    write_text(out, compare_page(first, second, language=language))
    if json_out:
        from reports.comparison_json import comparison_to_json

        write_json(json_out, comparison_to_json(first, second))
    found = judge(first, second)
    lines = (
        f"before: {one_line(first)}\nafter:  {one_line(second)}\n{found.verdict}: {' '.join(map(str, found.reasons))}"
    )
    if out != "-":
        lines += f"\n-> {out}"
    say(lines, out, json_out)
