"""Results on stdout or in whole files, progress on stderr: what every subcommand shares."""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from signal_defs.errors import UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from decoder.logs import ReadOptions

LOGS = click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=str))
PLATFORM = click.option(
    "--platform", "-p", required=True, metavar="ID|FOLDER", help="A known platform's id, or a platform folder."
)
JSON = click.option("--json", "json_out", metavar="FILE|-", help="Write the same facts as JSON; - is standard output.")

CSV_COLUMNS = click.option(
    "--csv-column",
    "csv_columns",
    multiple=True,
    metavar="WHAT=HEADING",
    help="In a CSV log, the heading of the column that holds time, channel, identifier, data, length or checksum.",
)


def read_options(csv_columns: tuple[str, ...]) -> ReadOptions:
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


@contextmanager
def whole_file(path: str | Path) -> Iterator[Path]:
    """A path to write to beside `path`; renamed into place when the block ends well, removed when it does not.

    Raises UsageError if the folder does not exist or cannot be written.
    """
    target = Path(path)
    try:
        handle, name = tempfile.mkstemp(prefix=".half-", suffix=f"-{target.name}", dir=target.parent)
    except OSError as fault:
        raise UsageError(
            "The result cannot be written.",
            where=str(target),
            mend=f"Name a folder that exists and can be written ({fault.strerror}).",
        ) from fault
    os.close(handle)
    half = Path(name)
    try:
        yield half
        half.chmod(0o666 & ~_umask())
        half.replace(target)
    finally:
        half.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


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
