"""Pages that need no right: signing in and out, the language, the files that pages load."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.responses import Response

from idlewhy.web.answers import SESSION, office_of
from idlewhy.web.guard import CanRead
from idlewhy.web.identity import SESSION_S
from idlewhy.web.page import asset, show
from idlewhy.web.pages import OwnForm, see
from idlewhy.web.problems import Problem
from idlewhy.web.submit import checked_language
from idlewhy.web.words import LANGUAGE

router = APIRouter(include_in_schema=False)


@router.get("/sign-in")
def sign_in(request: Request, next: str = "/") -> Response:  # noqa: A002  # the name in the address
    return show(request, "sign_in.html.j2", next=_inside(next), wrong=False)


@router.post("/sign-in")
def signed_in(request: Request, fields: OwnForm) -> Response:
    office = office_of(request)
    where = _inside(fields.get("next", "/"))
    secret = office.identity.begin_session(fields.get("token", "").strip())
    if secret is None:
        request.app.state.guard.guessed(request.client.host if request.client else "unknown")
        return show(request, "sign_in.html.j2", status=401, next=where, wrong=True)
    answer = see(where)
    answer.set_cookie(
        SESSION, secret, max_age=int(SESSION_S), httponly=True, samesite="lax", secure=office.settings.tls, path="/"
    )
    return answer


@router.post("/sign-out")
def sign_out(request: Request, _caller: CanRead, _fields: OwnForm) -> Response:
    office_of(request).identity.end_session(request.scope["state"]["session"])
    answer = see("/sign-in")
    answer.delete_cookie(SESSION, path="/")
    return answer


def _inside(path: str) -> str:
    """A path of this server; anything else leads to the start page."""
    return quote(path, safe="/") if path.startswith("/") and not path.startswith(("//", "/\\")) else "/"


@router.get("/language/{code}")
def language(code: str, next: str = "/") -> Response:  # noqa: A002  # the name in the address
    """Choose the language of pages in this browser."""
    answer = see(_inside(next))
    answer.set_cookie(LANGUAGE, checked_language(code), max_age=365 * 86_400, httponly=True, samesite="lax", path="/")
    return answer


@router.get("/static/{name}")
def static(name: str) -> Response:
    found = asset(name)
    if found is None:
        raise Problem("not-found", "There is no such file.")
    return Response(found[0], media_type=found[1], headers={"cache-control": "public, max-age=31536000, immutable"})


@router.get("/favicon.ico")
def icon() -> Response:
    return static("icon.svg")
