"""What stands before every route: who calls, by which name, how often, with how much, and from which site."""

from __future__ import annotations

import asyncio
import secrets
import time
from collections.abc import Awaitable, Callable
from http.cookies import SimpleCookie
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import urlsplit

from fastapi import Depends
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from idlewhy.web.answers import BROWSER, FORM_HEADER, HEADERS, SESSION
from idlewhy.web.identity import LOCAL, Caller
from idlewhy.web.identity import Scope as TokenScope
from idlewhy.web.logs import tell, warn
from idlewhy.web.page import problem_answer
from idlewhy.web.problems import Problem
from idlewhy.web.rates import Rate
from idlewhy.web.settings import MIB

if TYPE_CHECKING:
    from idlewhy.web.office import Office

BODY_BYTES = MIB  # of what is neither a log nor a definition
SAFE = {"GET", "HEAD", "OPTIONS"}
OPEN = ("/health/", "/static/", "/sign-in", "/language/", "/favicon.ico")
_LOOPBACK_NAMES = {"localhost", "127.0.0.1", "::1"}
_PROXY_SIGNS = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip")


class Guard:
    """ASGI middleware around the whole application."""

    def __init__(self, app: ASGIApp, office: Office) -> None:
        self._app = app
        self._office = office
        settings = office.settings
        self._reads = Rate(settings.reads_per_s, 2 * settings.reads_per_s)
        self._writes = Rate(settings.writes_per_s, 2 * settings.writes_per_s)
        self._guesses = Rate(0.2, 10.0)  # sign-ins that fail: ten at once, then one in five seconds
        self.credentials_needed = not settings.is_loopback or bool(settings.trusted_header)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await receive()
            await send({"type": "websocket.close", "code": 1000})
            return
        began = time.monotonic()
        status = 0
        request = Request(scope)
        state = scope.setdefault("state", {})

        async def watched(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                self._dress(message, scope)
            await send(message)

        try:
            await self._admit(request, state)
            await self._app(scope, self._bounded(request, receive), watched)
        except Problem as refused:
            if not status:
                await problem_answer(request, refused)(scope, receive, watched)
        except Exception as error:  # noqa: BLE001  # the caller gets a body, the log the fault
            if error.__class__.__name__ != "ClientDisconnect":
                warn("defect", path=_pattern(scope), fault=f"{type(error).__name__}: {error}")
            if not status:
                problem = Problem("defect", "Something went wrong here; the server's log has the details.")
                await problem_answer(request, problem)(scope, receive, watched)
        finally:
            self._tell(request, scope, status, time.monotonic() - began)

    def _tell(self, request: Request, scope: Scope, status: int, seconds: float) -> None:
        pattern = _pattern(scope)
        long = pattern.endswith("/events") or pattern == "/upload" or "/uploads" in pattern
        self._office.metrics.request(request.method, pattern, status, None if long else seconds)
        if pattern.startswith(("/health/", "/static/", "/metrics")):
            return
        caller: Caller | None = scope["state"].get("caller")
        name = "nobody" if caller is None else caller.kind if caller.kind == "proxy" else caller.name
        ms = round(1000 * seconds, 1)
        tell("request", method=request.method, route=pattern, status=status, ms=ms, caller=name)

    # ---- before

    async def _admit(self, request: Request, state: dict[str, Any]) -> None:
        self._check_host(request)
        cookies = _cookies(request)
        state["browser"] = cookies.get(BROWSER, "")
        state["session"] = cookies.get(SESSION, "")
        if not 20 <= len(state["browser"]) <= 60:
            state["browser"], state["new_browser"] = secrets.token_urlsafe(24), True
        caller = await self._caller(request, state)
        state["caller"] = caller
        is_open = request.url.path.startswith(OPEN)
        if caller is None and not is_open:
            raise Problem("sign-in-needed", "This needs a sign-in.", "Send a token as `Authorization: Bearer ...`.")
        rate = self._reads if request.method in SAFE else self._writes
        wait = rate.take(caller.name if caller else _address(request))
        if wait:
            raise Problem("too-many-requests", "Too many requests in a short time.", "", {"Retry-After": f"{wait:.0f}"})
        if request.method not in SAFE:
            self._check_site(request, caller, state)

    def _check_host(self, request: Request) -> None:
        """A name that is not ours means that somebody's name server points here: another site's script would call."""
        settings = self._office.settings
        allowed = _LOOPBACK_NAMES | {settings.host, *settings.hosts}
        name = (urlsplit(f"//{request.headers.get('host', '')}").hostname or "").lower()
        if name in allowed or (not settings.hosts and self.credentials_needed):
            return
        raise Problem("misdirected", "This server does not go by that name.", "Start it with --name THAT.NAME.")

    async def _caller(self, request: Request, state: dict[str, Any]) -> Caller | None:
        identity = self._office.identity
        authorization = request.headers.get("authorization", "")
        if authorization:
            return await self._bearer(request, authorization)
        if state["session"]:
            caller = await asyncio.to_thread(identity.caller_of_session, state["session"])
            if caller is not None:
                return caller
        proxied = self._proxied(request)
        if proxied is not None:
            return proxied
        if self.credentials_needed or identity.has_tokens():
            return None
        if any(sign in request.headers for sign in _PROXY_SIGNS):
            raise Problem(
                "not-allowed",
                "This server asks nobody to sign in, so it answers only programs on its own machine, not a proxy.",
                "Make a token (idlewhy serve token add), or name the proxy's header (--trust-header).",
            )
        return LOCAL

    async def _bearer(self, request: Request, authorization: str) -> Caller:
        kind, _, token = authorization.partition(" ")
        address = _address(request)
        wait = self._guesses.take(address, 0.0)
        caller = None
        if kind.lower() == "bearer" and not wait:
            caller = await asyncio.to_thread(self._office.identity.caller_of_token, token.strip())
        if caller is None:
            self.guessed(address)
            raise Problem(
                "sign-in-needed", "The token is not valid.", "Ask for another one, or check for a typing error."
            )
        return caller

    def guessed(self, address: str) -> None:
        """Count a sign-in that failed. Raises Problem if there were too many."""
        wait = self._guesses.take(address)
        if wait:
            text = "Too many sign-ins failed."
            raise Problem("too-many-requests", text, "Wait a little.", {"Retry-After": f"{wait + 0.5:.0f}"})

    def _proxied(self, request: Request) -> Caller | None:
        settings = self._office.settings
        if not settings.trusted_header or _address(request) not in settings.trusted_proxies:
            return None
        name = request.headers.get(settings.trusted_header, "").strip()
        if not name:
            return None
        scopes = frozenset({"admin"}) if name in settings.proxy_admins else settings.proxy_scopes
        return Caller("proxy", f"proxy:{name[:200]}", name[:200], scopes)

    def _check_site(self, request: Request, caller: Caller | None, state: dict[str, Any]) -> None:
        """Another site's page must not act for the person whose browser shows it.

        A token is sent by programs that mean it. Else a request of a browser must come from our own pages, and to the
        API it must carry the form token; pages' forms are checked where their fields are read.
        """
        if caller is not None and caller.kind == "token":
            return
        headers = request.headers
        site, origin = headers.get("sec-fetch-site", ""), headers.get("origin", "")
        if site not in {"", "same-origin", "none"} or (origin and not _is_own(request, origin)):
            raise Problem("not-allowed", "This request comes from another site.", "Use the pages of this server.")
        is_browser = bool(site or origin or headers.get("cookie"))
        if not request.url.path.startswith("/api/") or not (is_browser or caller is None or caller.kind != "local"):
            return
        if not self._office.identity.is_form_token(state["browser"], headers.get(FORM_HEADER, "")):
            raise Problem("not-allowed", "The page this comes from is too old or not ours.", "Reload the page.")

    # ---- bodies

    def _bounded(self, request: Request, receive: Receive) -> Receive:
        """Bodies within their bounds, from senders that keep sending. Logs are bounded where they are written."""
        path, settings = request.url.path, self._office.settings
        bound: int | None = BODY_BYTES
        if path == "/upload" or (path.startswith("/api/v1/uploads/") and request.method == "PATCH"):
            bound = None
        elif path.startswith(("/platforms", "/api/v1/platforms")):
            bound = 2 * settings.max_definition_bytes
        declared = request.headers.get("content-length", "")
        if bound is not None and declared.isdecimal() and int(declared) > bound:
            raise Problem("too-large", f"The request has {declared} bytes; {bound} are allowed here.")
        return _Bounded(receive, bound, settings.idle_s)

    # ---- after

    def _dress(self, message: Message, scope: Scope) -> None:
        headers: list[tuple[bytes, bytes]] = message.setdefault("headers", [])
        there = {name.lower() for name, _ in headers}
        for name, value in HEADERS.items():
            if name.encode() not in there:
                headers.append((name.encode(), value.encode()))
        state = scope["state"]
        if self._office.settings.tls and b"strict-transport-security" not in there:
            headers.append((b"strict-transport-security", b"max-age=31536000"))
        if state.pop("new_browser", False) and not scope["path"].startswith(
            ("/api/", "/health/", "/static/", "/metrics")
        ):
            secure = "; Secure" if self._office.settings.tls else ""
            cookie = f"{BROWSER}={state['browser']}; Path=/; HttpOnly; SameSite=Lax; Max-Age=31536000{secure}"
            headers.append((b"set-cookie", cookie.encode()))


class _Bounded:
    """Receives a body up to a bound, and only from a sender that is not silent for too long."""

    def __init__(self, receive: Callable[[], Awaitable[Message]], bound: int | None, idle_s: float) -> None:
        self._receive = receive
        self._bound = bound
        self._idle_s = idle_s
        self._size = 0
        self._whole = False

    async def __call__(self) -> Message:
        if self._whole:
            return await self._receive()
        try:
            message = await asyncio.wait_for(self._receive(), self._idle_s)
        except TimeoutError:
            raise Problem("malformed", f"Nothing came for {self._idle_s:.0f} s.", "Send it again.") from None
        if message["type"] == "http.request":
            self._size += len(message.get("body", b""))
            self._whole = not message.get("more_body", False)
            if self._bound is not None and self._size > self._bound:
                raise Problem("too-large", f"The request has more than the {self._bound} bytes that are allowed here.")
        return message


class Need:
    """What a route needs of its caller: a scope. Every route but the open ones declares one."""

    def __init__(self, scope: TokenScope) -> None:
        self.scope = scope

    async def __call__(self, request: Request) -> Caller:
        caller: Caller | None = request.scope["state"].get("caller")
        if caller is None:
            raise Problem("sign-in-needed", "This needs a sign-in.")
        if not caller.may(self.scope):
            raise Problem("not-allowed", f'This needs the scope "{self.scope}".', "Use a token that has it.")
        return caller


CanRead = Annotated[Caller, Depends(Need("read"))]
CanUpload = Annotated[Caller, Depends(Need("upload"))]
CanDelete = Annotated[Caller, Depends(Need("admin"))]


def _pattern(scope: Scope) -> str:
    route = scope.get("route")
    return str(getattr(route, "path", "")) or "no such route"


def _address(request: Request) -> str:
    return request.client.host if request.client else "unknown"


def _is_own(request: Request, origin: str) -> bool:
    return urlsplit(origin).netloc.lower() == request.headers.get("host", "").lower()


def _cookies(request: Request) -> dict[str, str]:
    try:
        parsed = SimpleCookie(request.headers.get("cookie", "")[:8192])
    except Exception:  # noqa: BLE001  # any cookie that cannot be read is none
        return {}
    return {name: morsel.value for name, morsel in parsed.items()}
