"""Answers that every part of the server gives in the same way: problems as JSON or as a page, headers, cookies."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from idlewhy.web.problems import Problem

if TYPE_CHECKING:
    from idlewhy.web.identity import Caller
    from idlewhy.web.office import Office

BROWSER = "idlewhy_browser"
SESSION = "idlewhy_session"
FORM_HEADER = "x-idlewhy-form"

PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)

HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), usb=()",
    "cache-control": "no-store",
    "content-security-policy": PAGE_POLICY,
}


def office_of(request: Request) -> Office:
    """The store this server works with."""
    office: Office = request.app.state.office
    return office


def caller_of(request: Request) -> Caller:
    """Who calls; the guard found it out. Raises Problem if nobody signed in."""
    caller: Caller | None = request.scope.get("state", {}).get("caller")
    if caller is None:
        raise Problem("sign-in-needed", "This needs a sign-in.", "Send a token as `Authorization: Bearer ...`.")
    return caller


def browser_of(request: Request) -> str:
    """The random name of the browser, from its cookie."""
    return str(request.scope.get("state", {}).get("browser", ""))


def wants_page(request: Request) -> bool:
    """The answer is for a person: not under /api, and HTML is accepted."""
    return not request.url.path.startswith("/api/") and "text/html" in request.headers.get("accept", "")


def problem_answer(request: Request, problem: Problem) -> Response:
    """A problem as the caller can read it. A person who is not signed in is sent to the sign-in page."""
    if not wants_page(request):
        headers = dict(problem.headers)
        if problem.status == 401:
            headers["WWW-Authenticate"] = 'Bearer realm="idlewhy"'
        body = {**problem.body(), "instance": request.url.path}
        return JSONResponse(body, problem.status, headers, media_type="application/problem+json")
    if problem.kind == "sign-in-needed" and request.method in {"GET", "HEAD"}:
        return RedirectResponse(f"/sign-in?next={quote(request.url.path)}", 303)
    from idlewhy.web.page import show

    return show(request, "problem.html.j2", status=problem.status, headers=problem.headers, problem=problem)
