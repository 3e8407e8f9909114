"""Runs the application with uvicorn, after making sure that it is safe to do so."""

from __future__ import annotations

import signal
import socket
from pathlib import Path
from typing import Any

from idlewhy.web.app import Application
from idlewhy.web.logs import set_up
from idlewhy.web.settings import Settings
from signal_defs.errors import UsageError

_STOP_S = 15


def check_safe(settings: Settings, application: Application) -> None:
    """Beyond this machine nobody is let in without credentials. Raises UsageError."""
    if settings.trusted_header and not settings.trusted_proxies:
        raise UsageError(
            "A header is trusted, but it is not said from which proxy.",
            mend="Add --trust-proxy ADDRESS; a header that anybody may send is worth nothing.",
        )
    if settings.is_loopback or settings.trusted_header or application.office.identity.has_tokens():
        return
    raise UsageError(
        f"{settings.host} can be reached from other machines, and nobody would have to sign in.",
        mend="Make a token first: idlewhy serve token add NAME --scope admin --store FOLDER; "
        "or name the header of a proxy that signs people in: --trust-header, --trust-proxy.",
    )


def serve(settings: Settings, *, certificate: Path | None = None, key: Path | None = None, open_at: Any = None) -> None:
    """Serve until a signal ends it; analyses under way go back into the queue.

    certificate, key: PEM files for https; the key may be in the certificate's file. open_at: called with the address
    once the server listens. Raises UsageError if it is not safe or the port is taken.
    """
    import uvicorn

    set_up()
    application = Application(settings)
    try:
        check_safe(settings, application)
        bound = _bind(settings)
    except UsageError:
        application.office.close()
        raise
    config = uvicorn.Config(
        application,
        host=settings.host,
        port=settings.port,
        ssl_certfile=str(certificate) if certificate else None,
        ssl_keyfile=str(key) if key else None,
        access_log=False,
        log_config=None,
        server_header=False,
        date_header=True,
        proxy_headers=False,
        timeout_keep_alive=20,
        timeout_graceful_shutdown=_STOP_S,
        limit_concurrency=2000,
        h11_max_incomplete_event_size=32_768,
    )
    server = make_server(config, application)
    if open_at is not None:
        name = f"[{settings.host}]" if ":" in settings.host else settings.host
        open_at(f"{'https' if certificate else 'http'}://{name}:{bound.getsockname()[1]}/")
    for one in (signal.SIGTERM, signal.SIGINT):
        signal.signal(one, _already_stopped)
    server.run(sockets=[bound])


def _already_stopped(_number: int, _frame: object) -> None:
    """Once it has ended in order, uvicorn raises the signal that stopped it again; that is no fault."""


def _bind(settings: Settings) -> socket.socket:
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)  # asyncio asks for the protocol by name
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((settings.host, settings.port))
    except OSError as error:
        made.close()
        raise UsageError(
            f"The server cannot listen: {error.strerror}.",
            where=f"{settings.host}, port {settings.port}",
            mend="Choose another --port, or end the program that has it.",
        ) from error
    made.set_inheritable(False)
    return made


def make_server(config: Any, application: Application) -> Any:
    """A uvicorn server whose event streams end as soon as it is told to stop."""
    import uvicorn

    class Server(uvicorn.Server):
        async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
            application.stop_soon()
            await super().shutdown(sockets)

    return Server(config)
