"""Pages for people, problems among them: the reports' clothes, our templates, everything escaped, no hidden signs."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from importlib.resources import files
from typing import Any
from urllib.parse import quote

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from idlewhy.web.answers import browser_of, office_of
from idlewhy.web.problems import Problem
from idlewhy.web.words import NAMES, words_for
from reports.page import environment
from reports.plain import plain


@lru_cache
def _environment() -> Any:
    def harmless(value: Any) -> Any:
        return plain(value) if isinstance(value, str) and not isinstance(value, Markup) else value

    return environment("idlewhy.web", harmless, names=NAMES)


@lru_cache
def asset(name: str) -> tuple[bytes, str] | None:
    """A file that pages load, and its type; None if there is no such file."""
    own = files("idlewhy.web").joinpath("static")
    if name == "idlewhy.css":
        base = files("reports").joinpath("static/page.css").read_text("utf-8")
        return (base + own.joinpath("web.css").read_text("utf-8")).encode(), "text/css; charset=utf-8"
    if name == "idlewhy.js":
        return own.joinpath("web.js").read_bytes(), "text/javascript; charset=utf-8"
    if name == "icon.svg":
        return own.joinpath("icon.svg").read_bytes(), "image/svg+xml"
    return None


@lru_cache
def version_of(name: str) -> str:
    """Part of an asset's address, so that a browser never keeps an old one."""
    found = asset(name)
    return hashlib.sha256(found[0]).hexdigest()[:12] if found else "none"


def show(
    request: Request,
    template: str,
    *,
    status: int = 200,
    headers: dict[str, str] | None = None,
    refresh_s: int = 0,
    **values: Any,
) -> Response:
    """A page from a template. refresh_s: reload it after so many seconds where there is no script.

    values: what the template needs beside what every page knows: caller, rights, language, address.
    """
    office = office_of(request)
    caller = request.scope["state"].get("caller")
    page = (
        _environment()
        .get_template(template)
        .render(
            say=words_for(request),
            caller=caller,
            may_upload=caller is not None and caller.may("upload"),
            may_delete=caller is not None and caller.may("admin"),
            path=request.url.path,
            form=office.identity.form_token(browser_of(request)),
            refresh_s=refresh_s,
            css=version_of("idlewhy.css"),
            js=version_of("idlewhy.js"),
            **values,
        )
    )
    return HTMLResponse(page, status, headers)


def problem_answer(request: Request, problem: Problem) -> Response:
    """A problem as the caller can read it. A person who is not signed in is sent to the sign-in page."""
    if request.url.path.startswith("/api/") or "text/html" not in request.headers.get("accept", ""):
        headers = dict(problem.headers)
        if problem.status == 401:
            headers["WWW-Authenticate"] = 'Bearer realm="idlewhy"'
        body = {**problem.body(), "instance": request.url.path}
        return JSONResponse(body, problem.status, headers, media_type="application/problem+json")
    if problem.kind == "sign-in-needed" and request.method in {"GET", "HEAD"}:
        return RedirectResponse(f"/sign-in?next={quote(request.url.path)}", 303)
    return show(request, "problem.html.j2", status=problem.status, headers=problem.headers, problem=problem)
