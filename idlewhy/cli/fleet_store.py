"""What the commands of `idlewhy fleet` share: where the store is, and folders for results."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from signal_defs.errors import UsageError

if TYPE_CHECKING:
    from fleet.store import Store

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


def existing_store(store: str) -> Store:
    """The store that is there. Raises UsageError where it is not."""
    from fleet.store import open_store

    return open_store(store, must_exist=True)


def folder_for(name: str) -> Path:
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
