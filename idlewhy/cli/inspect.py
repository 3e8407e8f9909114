"""`idlewhy inspect`: what is in a log, without any definitions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from idlewhy.cli.output import CSV_COLUMNS, JSON, LOGS, check_outputs, console, write_json
from signal_defs.errors import LogError, UsageError

if TYPE_CHECKING:
    from decoder.inspect import IdentifierSummary, LogInspection
    from decoder.logs import ReadOptions

SHOWN_DAMAGE = 10


@click.command(short_help="Say what is in a log; no definitions needed.")
@LOGS
@CSV_COLUMNS
@JSON
@click.option(
    "--anonymise", metavar="OUT", help="Write a log that may be shown: same timing, only the bits --platform needs."
)
@click.option("--platform", "-p", metavar="ID|FOLDER", help="For --anonymise: what is needed.")
def inspect(
    logs: tuple[str, ...],
    options: ReadOptions,
    json_out: str | None,
    anonymise: str | None,
    platform: str | None,
) -> int:
    """Say what is in a log: format, buses, identifiers, rates, time span, gaps, errors, damaged parts.

    No definition is needed. A LOG of "-" is standard input. Ends with 3 where a log holds no frame at all.

    With --anonymise one log goes to the file OUT, several go into the new folder OUT, as candump's text; a name that
    ends in .gz is compressed. Date, time of day and all other traffic are gone, and a report says the same of it.

    \b
    Example:
      idlewhy inspect monday.blf
      idlewhy inspect monday.blf --anonymise to-show.log.gz --platform example-van
    """
    if anonymise is not None or platform is not None:
        return _anonymise(logs, anonymise, platform, json_out, options)
    from decoder.inspect import inspect_logs

    check_outputs([json_out], logs)
    inspection = inspect_logs(logs, options=options)
    if json_out:
        facts = [asdict(log) | {"duration_s": log.duration_s} for log in inspection.logs]
        write_json(json_out, {"schema": "idlewhy.inspection/1", "logs": facts})
    if json_out != "-":
        for log in inspection.logs:
            _show(log)
    return 0 if all(log.frames for log in inspection.logs) else LogError.exit_code


def _anonymise(
    logs: tuple[str, ...], out: str | None, platform: str | None, json_out: str | None, options: ReadOptions
) -> int:
    """One anonymous log for each log; says how many of its frames are left."""
    if out is None or platform is None or json_out is not None:
        raise UsageError(
            "--anonymise OUT and --platform go together, without --json.",
            mend="For example: idlewhy inspect monday.blf --anonymise to-show.log --platform example-van",
        )
    from idlewhy.anonymise import anonymise
    from signal_defs.load import load_platform

    check_outputs([out] if len(logs) == 1 else [], logs)
    for name, outcome in anonymise(logs, load_platform(platform), out, options=options):
        click.echo(f"{outcome.written:,} of {outcome.frames:,} frames  -> {name}")
    return 0


def _show(log: LogInspection) -> None:
    """One log for a person: a few sentences and a table."""
    from rich.markup import escape
    from rich.table import Table

    screen = console()
    screen.print(
        f"[bold]{escape(log.name)}[/bold]: {log.format}, {log.frames:,} frames in {log.duration_s:,.1f} s{_when(log)}"
    )
    for words in _remarks(log):
        screen.print(f"  {escape(words)}")
    table = Table(box=None, pad_edge=False, header_style="bold")
    figures = {"frames", "per second", "longest pause [s]"}
    for heading in ("channel", "identifier", "bus", "frames", "per second", "bytes", "longest pause [s]", "checksum"):
        table.add_column(heading, justify="right" if heading in figures else "left")
    for one in log.identifiers:
        table.add_row(*(escape(cell) for cell in _row(one)))
    screen.print(table)


def _when(log: LogInspection) -> str:
    if not log.absolute_time:
        return ", no date in the log"
    import numpy as np

    start = np.datetime64(log.start_ns, "ns").astype("datetime64[s]")
    return f", from {start}Z"


def _remarks(log: LogInspection) -> list[str]:
    """What is not as it should be, one line each."""
    words = list(log.notes)
    if log.errors:
        words.append(f"no data: {_counts(log.errors)}")
    if log.gaps:
        longest = max(gap.seconds for gap in log.gaps)
        words.append(
            f"a silent stretch of {longest:,.1f} s"
            if len(log.gaps) == 1
            else f"{len(log.gaps)} silent stretches of over a second, the longest {longest:,.1f} s"
        )
    if log.clock_steps_ns:
        times = len(log.clock_steps_ns)
        words.append("the clock jumped once" if times == 1 else f"the clock jumped {times} times")
    if log.backward_at_ns is not None:
        back = "once, by" if log.backward == 1 else f"{log.backward:,} times, at most by"
        behind = (log.backward_at_ns - log.start_ns) / 1e9
        words.append(f"time ran backward {back} {log.backward_s:.6g} s, {behind:,.3f} s behind the log's first time")
    if log.skipped:
        words.append(f"passed over: {_counts(log.skipped)}")
    if log.dropped:
        words.append(f"could not be read: {_counts(log.dropped)}")
    words += [f"  {damage.where}: {damage.what.replace('_', ' ')}" for damage in log.damage[:SHOWN_DAMAGE]]
    if len(log.damage) > SHOWN_DAMAGE:
        words.append(f"  and {len(log.damage) - SHOWN_DAMAGE} more places; --json lists them")
    if log.other_identifiers:
        words.append(f"{log.other_identifiers:,} frames of further identifiers are not listed")
    return words


def _counts(kinds: Mapping[str, int]) -> str:
    return ", ".join(f"{count:,} {kind.replace('_', ' ')}" for kind, count in kinds.items())


def _row(one: IdentifierSummary) -> tuple[str, ...]:
    width = 8 if one.extended else 2 if one.lin else 3
    shortest, longest = one.lengths
    return (
        one.channel or "-",
        f"{one.identifier:0{width}X}",
        "LIN" if one.lin else "CAN FD" if one.fd else "CAN",
        f"{one.frames:,}",
        "-" if one.rate_hz is None else f"{one.rate_hz:,.1f}",
        str(longest) if shortest == longest else f"{shortest}-{longest}",
        "-" if one.period_max_s is None or one.period_max_s < 0 else f"{one.period_max_s:,.3f}",
        one.checksum + (f", {one.bad_checksums:,} wrong" if one.bad_checksums else ""),
    )
