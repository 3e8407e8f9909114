"""Results on stdout or in whole files, progress on stderr: what every subcommand shares."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from idlewhy.whole_file import check_place, place_of, whole_file
from signal_defs.errors import UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from decoder.logs import ReadOptions


def _named(_ctx: click.Context, _option: click.Parameter, logs: tuple[str, ...]) -> tuple[str, ...]:
    """An empty word, which a script's unset variable leaves, is not taken for the working folder."""
    if any(not log for log in logs):
        raise UsageError("A log's name is empty.", mend="Leave the empty word out, or name the file.")
    return logs


LOGS = click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=str), callback=_named)
PLATFORM = click.option(
    "--platform", "-p", required=True, metavar="ID|FOLDER", help="A known platform's id, or a platform folder."
)
JSON = click.option("--json", "json_out", metavar="FILE|-", help="Write the same facts as JSON; - is standard output.")

VEHICLE = click.option("--vehicle", metavar="ID", help="The vehicle's name; left out, the earliest log's name.")
LANGUAGE = click.option(
    "--language", type=click.Choice(["en", "de"]), default="en", show_default=True, help="Language of the page."
)


def _read_options(_ctx: click.Context, _option: click.Parameter, csv_columns: tuple[str, ...]) -> ReadOptions:
    """What the options of the command say of the logs. Raises UsageError where one is not WHAT=HEADING."""
    from decoder.logs import ReadOptions

    pairs = [words.partition("=") for words in csv_columns]
    for what, equals, heading in pairs:
        if not (what and equals and heading):
            raise UsageError(
                "A CSV column is not named as WHAT=HEADING.",
                where=f"--csv-column {what}{equals}{heading}",
                mend="For example --csv-column time=Zeit.",
            )
    return ReadOptions(csv_columns={what: heading for what, _, heading in pairs})


CSV_COLUMNS = click.option(
    "--csv-column",
    "options",
    multiple=True,
    metavar="WHAT=HEADING",
    callback=_read_options,
    help="In a CSV log, the heading of the column that holds time, channel, identifier, data, length or checksum.",
)


def check_outputs(outputs: Iterable[str | None], inputs: Iterable[str] = ()) -> None:
    """Refuse what could not be written, or must not be, before the work begins.

    outputs: where results go; None for one that is not wanted, "-" for standard output. inputs: the logs.
    Raises UsageError if two results share a place, one would overwrite a log, or its folder cannot be written.
    """
    taken: dict[str, str] = {}
    logs = {os.path.realpath(log): log for log in inputs if log != "-"}
    for output in outputs:
        if output is None:
            continue
        place = output if output == "-" else str(place_of(output))
        if place in taken:
            shared = "standard output" if output == "-" else output
            raise UsageError(f"Two results cannot share {shared}.", mend="Name a file of its own for each.")
        taken[place] = output
        if output == "-":
            continue
        same = logs.get(place) or next((log for log in logs.values() if _same_file(log, place)), None)
        if same is not None:
            raise UsageError(
                "The result would overwrite a log that is read.", where=output, mend="Name another file for it."
            )
        check_place(Path(place), output)


def _same_file(one: str, other: str) -> bool:
    try:
        return Path(one).samefile(other)
    except OSError:
        return False


def write_text(path: str | Path, text: str) -> None:
    """Write a text file whole, or standard output where path is "-"."""
    if str(path) == "-":
        click.echo(text, nl=not text.endswith("\n"))
        return
    with whole_file(path) as half:
        half.write_text(text, encoding="utf-8", newline="\n")


def write_json(path: str | Path, value: Any) -> None:
    """Write a value as JSON, indented, UTF-8; NaN is refused, since JSON has none."""
    write_text(path, json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


@contextmanager
def progress_bar() -> Iterator[Callable[[str, int, int], None] | None]:
    """Something to call with (stage, done, total); None where stderr is no terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    bar = Progress(
        TextColumn("{task.description:<10}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    tasks: dict[str, Any] = {}

    def advance(stage: str, done: int, total: int) -> None:
        if stage not in tasks:
            tasks[stage] = bar.add_task(stage, total=total or None)
        bar.update(tasks[stage], completed=done, total=total or None)

    with bar:
        yield advance


def console() -> Console:
    """Where tables are printed: standard output, as wide as the terminal, else wide enough that nothing is folded."""
    from rich.console import Console

    return Console(highlight=False, soft_wrap=True, width=None if sys.stdout.isatty() else 160)


def note(sentence: str) -> None:
    """A remark for the person at the terminal, on stderr."""
    click.echo(sentence, err=True)


def say(sentence: str, *outputs: str | None) -> None:
    """What came out, in words: on standard output, or on stderr where one of the outputs is written there."""
    click.echo(sentence, err="-" in outputs)
