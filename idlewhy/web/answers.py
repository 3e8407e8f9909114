"""What every answer of the server carries: headers and the names of its cookies; and what a request belongs to."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.requests import Request

if TYPE_CHECKING:
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


def browser_of(request: Request) -> str:
    """The random name of the browser, from its cookie."""
    return str(request.scope.get("state", {}).get("browser", ""))
