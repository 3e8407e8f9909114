"""`idlewhy serve`: the upload page and the fleet pages in a browser; tokens for those who may use them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from signal_defs.errors import UsageError

if TYPE_CHECKING:
    from idlewhy.web.identity import Identity

STORE = click.option(
    "--store",
    metavar="FOLDER",
    envvar="IDLEWHY_WEB_STORE",
    type=click.Path(path_type=Path, file_okay=False),
    help="Where logs, reports and the queue are kept; left out, a folder of this user.",
)
_GB = 1_000_000_000


@click.group(invoke_without_command=True, short_help="Serve the pages and the API in a browser.")
@STORE
@click.option(
    "--host", default="127.0.0.1", show_default=True, help="Address to listen on; another than loopback needs tokens."
)
@click.option(
    "--port", default=8765, show_default=True, type=click.IntRange(0, 65535), help="Port; 0 for any that is free."
)
@click.option("--name", "names", multiple=True, metavar="NAME", help="Host name under which browsers reach it.")
@click.option("--certfile", type=click.Path(path_type=Path, exists=True), help="Certificate (PEM) for https.")
@click.option("--keyfile", type=click.Path(path_type=Path, exists=True), help="Its key (PEM), if not in the same file.")
@click.option("--behind-tls", is_flag=True, help="A proxy in front speaks https: mark cookies for it.")
@click.option("--workers", type=click.IntRange(0, 64), help="Analyses at once; left out, half the processors.")
@click.option("--max-upload-gb", default=32.0, show_default=True, type=click.FloatRange(0.001), help="Largest log.")
@click.option("--max-queue", default=500, show_default=True, type=click.IntRange(1), help="Recordings that may wait.")
@click.option("--memory-gb", default=6.0, show_default=True, type=click.FloatRange(0.5), help="Memory of one analysis.")
@click.option(
    "--minutes", default=60, show_default=True, type=click.IntRange(1), help="Processor time of one analysis."
)
@click.option("--keep-days", type=click.FloatRange(0.01), help="Delete recordings older than this.")
@click.option("--keep-gb", type=click.FloatRange(0.001), help="Delete the oldest recordings beyond this size of logs.")
@click.option("--trust-header", default="", metavar="HEADER", help="Header in which a proxy says who signed in.")
@click.option("--trust-proxy", "proxies", multiple=True, metavar="ADDRESS", help="Address of that proxy.")
@click.option("--proxy-admin", "admins", multiple=True, metavar="NAME", help="Who of them may delete.")
@click.pass_context
def serve(
    ctx: click.Context,
    store: Path | None,
    host: str,
    port: int,
    names: tuple[str, ...],
    certfile: Path | None,
    keyfile: Path | None,
    behind_tls: bool,
    workers: int | None,
    max_upload_gb: float,
    max_queue: int,
    memory_gb: float,
    minutes: int,
    keep_days: float | None,
    keep_gb: float | None,
    trust_header: str,
    proxies: tuple[str, ...],
    admins: tuple[str, ...],
) -> None:
    """Serve the upload page, the reports and the API, on this machine only unless told otherwise.

    \b
    Example:
      idlewhy serve
    """
    if ctx.invoked_subcommand is not None:
        return
    need_web()
    from idlewhy.web.server import serve as run
    from idlewhy.web.settings import DAY_S, Settings, default_workers

    settings = Settings(
        folder=store_folder(store),
        host=host,
        port=port,
        hosts=tuple(name.lower() for name in names),
        tls=certfile is not None or behind_tls,
        workers=default_workers() if workers is None else workers,
        max_upload_bytes=int(max_upload_gb * _GB),
        max_queue=max_queue,
        child_memory_bytes=int(memory_gb * _GB),
        child_cpu_s=60 * minutes,
        child_wall_s=120.0 * minutes,
        retain_s=keep_days * DAY_S if keep_days else None,
        retain_bytes=int(keep_gb * _GB) if keep_gb else None,
        trusted_header=trust_header.lower(),
        trusted_proxies=proxies,
        proxy_admins=frozenset(admins),
    )
    run(
        settings,
        certificate=certfile,
        key=keyfile,
        open_at=lambda address: click.echo(f"{address}   (store: {settings.folder}; Ctrl-C ends it)"),
    )


@serve.group()
def token() -> None:
    """Make, list and revoke the tokens that people sign in with.

    Programs send theirs with each request.

    \b
    Example:
      idlewhy serve token add workshop --scope upload --scope read
    """


@token.command()
@click.argument("name")
@click.option(
    "--scope",
    "scopes",
    multiple=True,
    required=True,
    type=click.Choice(["read", "upload", "admin"]),
    help="read: see everything; upload: add logs and platforms; admin: all, deleting too.",
)
@STORE
def add(name: str, scopes: tuple[str, ...], store: Path | None) -> None:
    """Make a token and print it.

    It is not kept and cannot be shown again.

    \b
    Example:
      idlewhy serve token add workshop --scope upload --scope read
    """
    wanted = {*scopes, "read"} if "upload" in scopes else set(scopes)
    with _identity(store) as identity:
        click.echo(identity.new_token(name, wanted))


@token.command(name="list")
@STORE
def list_tokens(store: Path | None) -> None:
    """List the tokens: id, name, scopes, when made and last used.

    \b
    Example:
      idlewhy serve token list
    """
    from idlewhy.web.words import Words

    time = Words().time
    with _identity(store) as identity:
        tokens = identity.tokens()
    for one in tokens:
        used = time(one.used) if one.used else "never used"
        click.echo(f"{one.id}  {one.name:<24} {','.join(sorted(one.scopes)):<12} made {time(one.created)}, {used}")


@token.command()
@click.argument("token_id", metavar="ID")
@STORE
def revoke(token_id: str, store: Path | None) -> None:
    """Revoke a token by its id; sessions that were begun with it end.

    \b
    Example:
      idlewhy serve token revoke 0123456789abcdef01234567
    """
    with _identity(store) as identity:
        known = identity.revoke(token_id)
    if not known:
        raise UsageError("There is no such token.", where=token_id, mend="See `idlewhy serve token list`.")
    click.echo("Revoked.")


@contextmanager
def _identity(store: Path | None) -> Iterator[Identity]:
    """Who may use the store of the web pages."""
    need_web()
    from idlewhy.web.database import Database
    from idlewhy.web.identity import Identity

    with closing(Database(store_folder(store))) as database:
        yield Identity(database)


def store_folder(store: Path | None) -> Path:
    """The folder named, or the user's own."""
    if store is not None:
        return store.resolve()
    from platformdirs import user_data_path

    return user_data_path("idlewhy", appauthor=False) / "web"


def need_web() -> None:
    """Raises UsageError if the libraries of the extra `web` are not installed."""
    from importlib.util import find_spec

    needed = ("fastapi", "uvicorn", "python_multipart", "sse_starlette", "prometheus_client", "argon2")
    missing = [name for name in needed if find_spec(name) is None]
    if missing:
        raise UsageError(
            f"The web pages need libraries that are not installed: {', '.join(missing)}.",
            mend='Install the extra "web": python -m pip install "idlewhy[web]"',
        )
